"""Settings: every fault reported at once, paths start at the file, nothing unknown passes."""

from pathlib import Path

import pytest
import yaml

from lanewright.base.errors import InputError
from lanewright.settings.config import Config, load

GOOD = {"name": "Somewhere", "points": ["tiles/*.laz"], "out": "results"}


def write(tmp_path: Path, content: object) -> Path:
    path = tmp_path / "run.yaml"
    path.write_text(content if isinstance(content, str) else yaml.safe_dump(content))
    return path


def test_paths_start_at_the_configuration(tmp_path):
    config = load(write(tmp_path, GOOD | {"property": "land.gpkg", "keep_out": ["road.gpkg"]}))
    assert config.points == (str(tmp_path / "tiles/*.laz"),)
    assert config.property == tmp_path / "land.gpkg"
    assert config.out == (tmp_path / "results").resolve()
    assert config.keep_out[0].path == tmp_path / "road.gpkg"
    assert config.keep_out[0].buffer == 0


def test_one_value_may_stand_for_a_list(tmp_path):
    single = {"points": "a.laz", "levels": "Blue", "keep_out": {"path": "r.gpkg", "buffer": 5}}
    config = load(write(tmp_path, GOOD | single))
    assert len(config.points) == 1
    assert config.levels == ("blue",)
    assert config.keep_out[0].buffer == 5


def test_legs_and_holes_are_kept_for_the_level_of_the_layouts(tmp_path):
    plain = load(write(tmp_path, GOOD))
    assert plain.legs.level is plain.layout.hole.level is None
    asked = load(write(tmp_path, GOOD | {"layout": {"level": "Red"}}))
    assert asked.legs.level == asked.layout.hole.level == "red"
    own = {"layout": {"level": "red"}, "legs": {"level": "blue"}}
    assert load(write(tmp_path, GOOD | own)).legs.level == "blue"
    with pytest.raises(InputError, match=r"legs\.level: no level is called 'pink'"):
        load(write(tmp_path, GOOD | {"legs": {"level": "pink"}}))


def test_every_fault_is_named_with_its_key(tmp_path):
    bad = GOOD | {"hols": 18, "holes": "many", "ground": {"source": "magic"},
                  "ingest": {"cell": -1}}  # fmt: skip
    with pytest.raises(InputError) as fault:
        load(write(tmp_path, bad))
    text = str(fault.value)
    for key in ("hols: unknown key", "holes:", "ground.source:", "ingest.cell"):
        assert key in text
    assert "run.yaml" in text


@pytest.mark.parametrize("missing", ["name", "out"])
def test_missing_key(tmp_path, missing):
    with pytest.raises(InputError, match=f"{missing}: missing"):
        load(write(tmp_path, {k: v for k, v in GOOD.items() if k != missing}))


def test_nothing_to_read(tmp_path):
    with pytest.raises(InputError, match="neither points nor elevation"):
        load(write(tmp_path, {"name": "x", "out": "o"}))


@pytest.mark.parametrize("text", ["a: [1,", "- just\n- a list\n", ""])
def test_no_yaml(tmp_path, text):
    with pytest.raises(InputError, match=r"run\.yaml"):
        load(write(tmp_path, text))


def test_no_file(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        load(tmp_path / "none.yaml")


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 0, -3])
def test_lengths_are_finite_and_positive(value):
    with pytest.raises(ValueError, match="void_distance"):
        Config.model_validate(GOOD | {"ground": {"void_distance": value}})


def test_settings_survive_a_round_trip():
    config = Config.model_validate(GOOD | {"levels": ["gold"], "leaf_state": "off"})
    assert (
        Config.model_validate(yaml.safe_load(yaml.safe_dump(config.model_dump(mode="json"))))
        == config
    )


@pytest.mark.parametrize(("bare", "meant"), [("off", "off"), ("on", "on"), ("unknown", "unknown")])
def test_bare_leaf_state_is_understood(tmp_path, bare, meant):
    text = f"name: x\npoints: [a.laz]\nout: o\nleaf_state: {bare}\n"
    assert load(write(tmp_path, text)).leaf_state == meant
