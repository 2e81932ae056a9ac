"""YAML within bounds: what would never end, or mean two things, is one message with its line."""

import pytest

from lanewright.base.errors import InputError
from lanewright.settings.document import MOST_DEPTH, MOST_VALUES, read_document

GOOD = "name: x\npoints: [a.laz]\nout: o\n"


def read(tmp_path, text):
    path = tmp_path / "run.yaml"
    path.write_text(text, encoding="utf-8")
    return read_document(path)


def test_plain_values_are_what_yaml_says(tmp_path):
    assert read(tmp_path, "a: 1\nb: [x, 2.5]\nc: {d: true}\n") == {
        "a": 1, "b": ["x", 2.5], "c": {"d": True},
    }  # fmt: skip


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("name: a\nlegs: {}\nname: b\n", "name stands twice, in lines 1 and 3"),
        ("legs: {keep: 1, keep: 2}\n", "keep stands twice"),
        ('legs:\n  a: 1\n  "a": 2\n', "a stands twice, in lines 2 and 3"),
        ("a: {b: [{c: 1, c: 2}]}\n", "c stands twice"),
        ("a: " + "9" * 5000, "is no number"),
        ("a: !!int many", "line 1, column 4: 'many' is no int"),
        ("a: !!int\n", "'' is no number"),  # found by fuzzing
        ("visit: 2026-02-30\n", "'2026-02-30' is no date"),
        ("a: !!python/name:os.system\n", "is not for configurations"),
        ("a: !!set {x, y}\n", "is not for configurations"),
        ("a: &a [*a]\n", "stands for nothing whole"),
        ("a: " + "[" * 60 + "]" * 60, f"nested more than {MOST_DEPTH} deep"),
        ("a: " + "[" * 100_000, f"nested more than {MOST_DEPTH} deep"),
        ("x: " + "y" * 20_000, "a value of 20,000 characters"),
    ],
)
def test_each_is_one_message(tmp_path, text, said):
    with pytest.raises(InputError) as caught:
        read(tmp_path, text)
    assert said.replace("is no int", "is no number") in str(caught.value)


def test_an_alias_bomb_is_counted_before_anything_is_built(tmp_path):
    lines = ["a0: &a0 [x, x]"] + [
        f"a{k}: &a{k} [{', '.join([f'*a{k - 1}'] * 9)}]" for k in range(1, 60)
    ]
    with pytest.raises(InputError, match=f"stands for more than {MOST_VALUES:,} values"):
        read(tmp_path, "\n".join(lines))


def test_every_key_that_stands_twice_is_named(tmp_path):
    with pytest.raises(InputError) as caught:
        read(tmp_path, "a: 1\nb: 2\na: 3\nb: 4\n")
    assert "a stands twice" in str(caught.value)
    assert "b stands twice" in str(caught.value)


def test_a_device_and_a_file_too_large_are_not_read(tmp_path):
    from pathlib import Path

    with pytest.raises(InputError, match="it is no file"):
        read_document(Path("/dev/zero"))
    with pytest.raises(InputError, match="larger than a configuration"):
        read(tmp_path, GOOD + "# x\n" * 300_000)
