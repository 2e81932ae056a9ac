"""Every number of the settings has two bounds; every fault comes in one message with its key."""

from datetime import date
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel, TypeAdapter, ValidationError

from lanewright.base.errors import InputError
from lanewright.settings.config import Config, load

GOOD = {"name": "Somewhere", "points": ["tiles/*.laz"], "out": "results"}
FAR = (1e300, -1e300, float("nan"), float("inf"), 10**30, -(10**30))


def numbers(model: type[BaseModel], path: str = "") -> list[tuple[str, Any]]:
    """Every setting that takes a number, with its full type."""
    found = []
    for name, field in model.model_fields.items():
        inner = field.annotation
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            found += numbers(inner, f"{path}{name}.")
        elif {int, float} & leaves(inner):
            found.append((f"{path}{name}", field))
    return found


def leaves(annotation: Any) -> set[Any]:
    parts = get_args(annotation)
    return {annotation} if not parts else set().union(*(leaves(p) for p in parts))


def section(key: str, value: Any) -> dict[str, Any]:
    first, *rest = key.split(".")
    return {first: section(".".join(rest), value) if rest else value}


ALL = numbers(Config)


def test_the_walk_finds_numbers_of_every_section():
    assert len(ALL) > 150
    assert {key.split(".")[0] for key, _ in ALL} >= {
        "holes", "arrival", "ingest", "ground", "terrain", "vegetation", "lanes", "flight", "legs",
        "trim", "layout", "field",
    }  # fmt: skip


@pytest.mark.parametrize("key", [key for key, _ in ALL])
def test_no_number_is_without_bounds(key):
    adapter = TypeAdapter(Config)
    default = Config.model_validate(GOOD)
    for part in key.split("."):
        default = getattr(default, part)
    for value in FAR:
        shaped = [value] * len(default) if isinstance(default, tuple) else value
        shaped = [value, value] if key in ("arrival", "layout.mix.total") else shaped
        with pytest.raises(ValidationError) as caught:
            adapter.validate_python(GOOD | section(key, shaped))
        assert all(".".join(map(str, f["loc"])).startswith(key) for f in caught.value.errors())


def test_a_length_of_zero_and_the_smallest_number_are_no_metres():
    for value in (0, 5e-324, 1e-9):
        with pytest.raises(ValidationError):
            Config.model_validate(GOOD | {"ingest": {"cell": value}})


def message_of(tmp_path: Path, text: str) -> str:
    path = tmp_path / "run.yaml"
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        load(path)
    return str(caught.value)


def test_what_stands_there_and_what_may_stand_there(tmp_path):
    text = message_of(
        tmp_path,
        "name: ''\nout: o\npoints: [a.laz]\nholes: 99\n"
        "keep_out: [{path: r.gpkg, buffer: 1.0e+12}]\n"
        "ground: {source: magic}\nlegs: {sites: {spacing: wide, wet: maybe}}\n"
        "field: {visit: soon}\n"
        "ingest: {cell: 1.0e-9}\nlayout: {safety: {fairway: [10, 20]}}\n",
    )
    for line in (
        "name:",
        "holes: is 99; give at most 72",
        "keep_out.0.buffer: is 1000000000000.0; give at most 1000",
        "ground.source: is 'magic'; give 'auto'",
        "legs.sites.spacing: is 'wide'; give a number",
        "legs.sites.wet: is 'maybe'; give true or false",
        "field.visit: is 'soon'; give a day as",
        "ingest.cell: is 1e-09; give at least 0.1",
        "layout.safety: fairway: trees between",
    ):
        assert line in text
    assert text.startswith(f"{tmp_path / 'run.yaml'}: 9 settings to mend")


@pytest.mark.parametrize(
    ("key", "said"),
    [
        ("out: ''", "out: is empty"),
        ("out: ~nobody-here/o", "home folder of a user who is not known"),
        (f"out: {'x' * 2000}", "longer than a path can be"),
        (f"out: {'x' * 300}", "longer than a path can be"),
        ('out: "a\\0b"', "U+0000"),
        ("points: [~nobody-here/*.laz]", "points.0: starts at the home"),
        ('name: "a\\nb"', "name: holds the sign U+000A"),
        ('name: "\\e[31mred"', "name: holds the sign U+001B"),
        ("name: '   '", "name: is blank"),
        ("holes: true", "holes: is true or false"),
        ("levels: 3", "levels:"),
        ("arrival: [.nan, 1]", "arrival.0:"),
        ("legs: {shortest: 80, longest: 30}", "shortest must lie below longest"),
        ("layout: {mix: {total: [9000, 1000]}}", "the lower length comes first"),
        ("layout: {level: mauve}", "layout.level: no level is called 'mauve'"),
    ],
)
def test_texts_paths_and_pairs(tmp_path, key, said):
    good = {"name": "name: x", "points": "points: [a.laz]", "out": "out: o"}
    good[key.partition(":")[0]] = key
    assert said in message_of(tmp_path, "\n".join(good.values()) + "\n")


def test_two_thousand_faults_are_one_short_message(tmp_path):
    text = message_of(tmp_path, "name: x\n" + "".join(f"k{k}: 1\n" for k in range(2000)))
    assert "2001 settings to mend" in text
    assert "and 1,976 more" in text
    assert len(text) < 4000


def test_titles_of_other_scripts_are_titles():
    for name in ("空地树林", "غابة", "숲", "Wood 🌳", "[bold]x", "=1+1"):
        assert Config.model_validate(GOOD | {"name": name}).name == name


def test_a_day_to_come_is_a_day():
    config = Config.model_validate(GOOD | {"field": {"visit": "2026-03-14"}})
    assert config.field.visit == date(2026, 3, 14)
