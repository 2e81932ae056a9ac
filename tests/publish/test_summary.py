import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from pydantic import BaseModel

from lanewright import __version__
from lanewright.base.errors import InputError
from lanewright.base.grid import Grid
from lanewright.publish.summary import InputFile, Said, summarise, with_costs, write_summary
from publish.frames import UTM

GRID = Grid(UTM, 440_000.0, 3_800_000.0, 0.5, 400, 300)


@dataclass(frozen=True)
class Cost:
    stage: str
    seconds: float
    peak_mb: float
    reused: bool


class Section(BaseModel):
    tiles: tuple[Path, ...] = (Path("tiles/a.laz"),)
    share: float = 0.25


def make(**changes):
    given = {
        "title": "Hollow Creek",
        "settings": Section(),
        "inputs": [
            InputFile(
                Path("tiles/a.laz"),
                "points",
                "blake2b-128:00ff",
                1234,
                crs="EPSG:32617",
                horizontal_unit="m",
                vertical_unit="ft",
                found={"points": np.int64(99), "version": "1.4"},
                assumed=("heights in feet, from the settings",),
            )
        ],
        "grid": GRID,
        "counts": {"legs": 12, "trees": np.int32(7)},
        "stages": [Cost("ground", 1.234, 512.34, False), Cost("legs", 2.0, 256.0, True)],
        "said": Said(["the tiles cover 97 % of the property"]),
    }
    given |= changes
    stages = given.pop("stages")
    return with_costs(summarise(**given), stages)


def test_it_says_what_the_run_read_did_and_found():
    made = make()
    assert made["versions"]["lanewright"] == __version__
    assert made["versions"]["numpy"] == np.__version__
    assert made["settings"] == {"tiles": ["tiles/a.laz"], "share": 0.25}
    (read,) = made["inputs"]
    assert read["path"] == "tiles/a.laz"
    assert read["checksum"] == "blake2b-128:00ff"
    assert (read["crs"], read["horizontal_unit"], read["vertical_unit"]) == (
        "EPSG:32617",
        "m",
        "ft",
    )
    assert read["found"] == {"points": 99, "version": "1.4"}
    assert read["assumed"] == ["heights in feet, from the settings"]
    assert made["georeference"]["crs"] == "EPSG:32617 WGS 84 / UTM zone 17N"
    assert made["georeference"]["left_bottom_right_top"] == [440_000, 3_799_800, 440_150, 3_800_000]
    assert made["counts"] == {"legs": 12, "trees": 7}
    assert made["stages"][0] == {
        "stage": "ground", "seconds": 1.23, "peak_memory_mb": 512.3, "reused": False
    }  # fmt: skip
    assert made["total_seconds"] == 3.23
    assert made["peak_memory_mb"] == 512.3
    assert made["warnings"] == ["the tiles cover 97 % of the property"]


def test_keys_keep_their_order():
    one, other = make(), make()
    assert json.dumps(one) == json.dumps(other)
    assert list(one)[:4] == ["format", "title", "versions", "settings"]
    assert list(make(counts={"b": 1, "a": 2})["counts"]) == ["b", "a"]


def test_a_run_without_stages_or_inputs():
    made = make(stages=[], inputs=[])
    assert made["peak_memory_mb"] is None
    assert made["total_seconds"] == 0
    assert made["inputs"] == []


def test_the_file_is_plain_json(tmp_path):
    path = tmp_path / "out" / "summary.json"
    made = make(title='Æ 鴨 "quoted" \x00 </script> \udcff', findings={"ground": {"rmse": np.nan}})
    write_summary(path, made)
    text = path.read_text(encoding="utf-8")
    back = json.loads(text, parse_constant=pytest.fail)  # NaN is no JSON
    assert back["title"] == 'Æ 鴨 "quoted" \x00 </script> ?'
    assert back["findings"] == {"ground": {"rmse": None}}
    assert back == made
    assert text.endswith("}\n")
    assert [p.name for p in path.parent.iterdir()] == ["summary.json"]


def test_what_has_no_plain_form_is_refused():
    with pytest.raises(TypeError, match="a set has no place"):
        make(findings={"ground": {1, 2}})


def test_a_place_that_cannot_be_written(tmp_path):
    (tmp_path / "out").write_text("")
    with pytest.raises(InputError, match="cannot be written"):
        write_summary(tmp_path / "out" / "summary.json", make())
