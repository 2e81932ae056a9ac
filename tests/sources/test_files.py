"""Files held against what they were when the run was planned."""

import glob
import hashlib
import io
import os

import pytest

from lanewright.base.errors import Faults, InputError
from lanewright.sources import files
from lanewright.sources.files import BLOCK, CheckedFile, checksum, expand, fingerprint

DATA = bytes(range(256)) * (BLOCK // 100)  # some blocks and a part of one


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "a.bin"
    path.write_bytes(DATA)
    return path


def test_checksum_is_blake2b_of_the_content(path):
    assert checksum(path) == hashlib.blake2b(DATA, digest_size=16).hexdigest()
    assert fingerprint(path).size == len(DATA)


@pytest.mark.parametrize("at", [0, 1, BLOCK - 1, BLOCK, 2 * BLOCK + 7, len(DATA) - 1, len(DATA)])
def test_reads_are_those_of_a_plain_file(path, at):
    with io.BufferedReader(CheckedFile(path, fingerprint(path))) as file:
        for count in (1, 10, BLOCK + 3):
            file.seek(at)
            assert file.read(count) == DATA[at : at + count]
        assert file.seek(0, io.SEEK_END) == len(DATA)


def test_a_changed_byte_is_noticed_where_it_is_read_and_only_there(path):
    content = fingerprint(path)
    raw = bytearray(DATA)
    raw[BLOCK + 5] ^= 1
    path.write_bytes(raw)
    with CheckedFile(path, content) as file:
        assert file.read(100) == DATA[:100]
        assert not file.changed
        file.seek(BLOCK)
        with pytest.raises(InputError, match="changed while"):
            file.read(1)
        assert file.changed


@pytest.mark.parametrize("now", [DATA[:-1], DATA + b"x", b""])
def test_a_longer_or_shorter_file_is_noticed(path, now):
    content = fingerprint(path)
    path.write_bytes(now)
    with (
        io.BufferedReader(CheckedFile(path, content)) as file,
        pytest.raises(InputError, match="changed while"),
    ):
        file.read()


def test_swapped_and_put_back_before_the_end(path):
    """The bytes handed out count, not what stands there afterwards."""
    content = fingerprint(path)
    with CheckedFile(path, content) as file:
        path.write_bytes(b"\0" * len(DATA))
        with pytest.raises(InputError, match="changed while"):
            file.read(10)
        path.write_bytes(DATA)
        assert file.read(10) == DATA[:10]


@pytest.fixture
def tree(tmp_path):
    """Files and folders with names that glob treats one by one."""
    for name in ("a.laz", "b.laz", ".c.laz", "n/d.laz", "n/m/e.laz", "n/m/f.las", ".h/g.laz",
                 "[x]/i.laz", "n/k.laz/l.laz"):  # fmt: skip
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"x")
    return tmp_path


@pytest.mark.parametrize(
    "pattern",
    ["*.laz", "**/*.laz", "*/*.laz", "**", "n/**", "**/m/*", "*/../a.laz", ".*", "[[]x]/*", "[x]/*",
     "?.laz", "[ab].laz", "[!a].laz", "**/**/*.laz", "*/m/e.laz", "n/*/*/nothing", "**/n/**/*.la?",
     ".*/*.laz", "*/.", "no/*.laz", "nothing"],
)  # fmt: skip
def test_patterns_name_what_python_s_glob_finds(tree, pattern):
    """But that a name which exists as it stands, `[x]`, is that name."""
    asked = pattern.replace("[x]/", "[[]x]/")
    wanted = glob.glob(str(tree / asked), recursive=True)  # noqa: PTH207
    if pattern == "**":  # the folder itself is no file of its own
        wanted = [w for w in wanted if os.path.realpath(w) != str(tree)]
    if pattern == "n/**":
        wanted = [w for w in wanted if os.path.realpath(w) != str(tree / "n")]
    assert expand((str(tree / pattern),), "points", Faults()) == sorted(
        {type(tree)(w).resolve() for w in wanted}
    )


def test_links_that_lead_back_are_not_gone_round(tree):
    """With two of them Python's glob doubles its work at each of 40 levels."""
    for name in ("one", "two"):
        (tree / name).symlink_to(tree)
    found = expand((str(tree / "**" / "*.las"),), "points", Faults())
    assert found == [tree / "n" / "m" / "f.las"]


def test_a_pattern_over_too_much_says_so(tree, monkeypatch):
    monkeypatch.setattr(files, "MOST_LOOKED_AT", 5)
    faults = Faults()
    assert expand((str(tree / "**" / "*.tif"),), "elevation", faults) == []
    (fault,) = faults.found
    assert "among the first 5 looked at" in str(fault)


def test_a_pipe_is_no_tile(tree):
    """Whoever opens it waits until somebody writes to it."""
    os.mkfifo(tree / "z.laz")
    faults = Faults()
    assert expand((str(tree / "*.laz"),), "points", faults) == [tree / "a.laz", tree / "b.laz"]
    (fault,) = faults.found
    assert str(fault).startswith(f"{tree / 'z.laz'}: is not a file")


def test_a_name_that_is_no_text_is_refused(tree):
    (tree / os.fsdecode(b"K\xe4fer.laz")).write_bytes(b"x")
    faults = Faults()
    assert expand((str(tree / "*.laz"),), "points", faults) == [tree / "a.laz", tree / "b.laz"]
    (fault,) = faults.found
    assert "no UTF-8" in str(fault)


def test_results_are_no_input_unless_they_are_named(tree):
    ours = frozenset({(tree / "n" / "m" / "e.laz").resolve()})
    found = expand((str(tree / "n" / "*" / "*"),), "elevation", Faults(), ours)
    assert [path.name for path in found] == ["l.laz", "f.las"]
    (named,) = ours
    assert expand((str(named),), "elevation", Faults(), ours) == [named]
