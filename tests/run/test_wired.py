"""From tiles to published results: a missing tile, what an edit of own lines or weights redoes,
the least work of lines that can and cannot be opened, and rides that a thin survey hardly saw.

A meadow of two tiles; one between them and one to their right are missing. Ground between the two
is carried across, ground beyond the last is unknown. A line across the gap is clear as far as
anybody saw; what nobody saw counts as unsearched, and no throw may end on unknown ground.
"""

import json
from pathlib import Path

import geopandas as gpd
import laspy
import numpy as np
import pytest
import yaml
from pyproj import CRS
from shapely import LineString, box

import pulses
import truth_worlds
from run.runs import called
from small import LAND, small_property

LEFT, BOTTOM, WIDE, HIGH = 500_000.0, 4_400_000.0, 36.0, 40.0
GAP = (WIDE, 2 * WIDE)
"""From and to where no tile is, metres from the left."""


def write_tile(path: Path, left: float) -> None:
    """Write bare ground of 6 points per m2 on a square that starts so far to the right."""
    rng = np.random.default_rng(int(left) + 1)
    n = int(6 * WIDE * HIGH)
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = [0.01] * 3, [LEFT, BOTTOM, 0]
    header.add_crs(CRS.from_epsg(26916))
    las = laspy.LasData(header)
    las.x, las.y = LEFT + left + WIDE * rng.random(n), BOTTOM + HIGH * rng.random(n)
    las.z = 200 + 0.02 * rng.standard_normal(n)
    las.classification = np.full(n, 2, np.uint8)
    las.return_number = las.number_of_returns = np.ones(n, np.uint8)
    las.write(path)


def draw(folder: Path, **ends: tuple[float, float]) -> None:
    """Own lines along the middle of the meadow, from and to so far from the left."""
    y = BOTTOM + HIGH / 2
    lines = [LineString([(LEFT + a, y), (LEFT + b, y)]) for a, b in ends.values()]
    gpd.GeoDataFrame({"name": list(ends)}, geometry=lines, crs=26916).to_file(folder / "own.gpkg")


def configured(folder: Path, property: str | None = "land.gpkg", **layout) -> Path:
    settings = {
        "name": "Gap", "points": ["*.laz"], "property": property, "own_holes": "own.gpkg",
        "out": "out", "levels": ["green"], "leaf_state": "off", "holes": 1,
        "legs": {"sites": {"boundary_setback": 1.0}, "throws": 64, "keep": 20},
        "layout": {"proposals": 1, "solver": {"first": {"changes_each": 20}, "work": 0.1}} | layout,
    }  # fmt: skip
    path = folder / "run.yaml"
    path.write_text(yaml.safe_dump(settings))
    return path


def stages(folder: Path) -> dict[str, list[Path]]:
    """Stored results by stage."""
    found: dict[str, list[Path]] = {}
    for path in (folder / "out" / ".stages").iterdir():
        if path.is_dir() and "-" in path.name:
            found.setdefault(path.name.rsplit("-", 1)[0], []).append(path)
    return found


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """The meadow with two lines scored: one across the gap, one on what was surveyed."""
    folder = tmp_path_factory.mktemp("gap")
    for name, left in (("west", 0.0), ("east", GAP[1])):
        write_tile(folder / f"{name}.laz", left)
    land = box(LEFT, BOTTOM, LEFT + 4 * WIDE, BOTTOM + HIGH)
    gpd.GeoDataFrame(geometry=[land], crs=26916).to_file(folder / "land.gpkg")
    draw(folder, Across=(28.0, 80.0), Seen=(5.0, 31.0))
    done = called("score", configured(folder))
    assert done.returncode == 0, done.stderr
    return folder


def scored(folder: Path) -> gpd.GeoDataFrame:
    legs = gpd.read_file(folder / "out" / "own-holes" / "scout.gpkg", layer="legs")
    return legs[legs["origin"] == "own"]


def test_a_line_over_a_missing_tile_is_not_seen_there_and_may_meet_growth(folder):
    legs = scored(folder)
    across = legs[legs["length_m"] > 40].iloc[0]
    seen = legs[legs["length_m"] < 40].iloc[0]
    # 36 of its 52 m lie in the gap; ground at its rims is carried a few metres into it.
    assert across["seen_share"] == pytest.approx(1 - 36 / 52, abs=0.1)
    assert seen["seen_share"] > 0.97
    assert seen["clear_rate_low"] > 0.95
    assert across["clear_rate_low"] < seen["clear_rate_low"] - 0.2


@pytest.mark.parametrize(("what", "ends"), [("basket", (80.0, 130.0)), ("tee", (130.0, 80.0))])
def test_an_end_on_unknown_ground_is_one_message_that_names_the_hole(folder, what, ends):
    before = (folder / "own.gpkg").read_bytes()
    draw(folder, Into=ends)
    try:
        done = called("score", folder / "run.yaml")
    finally:
        (folder / "own.gpkg").write_bytes(before)
    assert done.returncode == 2
    assert done.stderr.count("error: ") == 1
    assert f"the {what} of Into" in done.stderr
    assert "no ground is known" in done.stderr
    assert "Traceback" not in done.stderr


def test_an_edit_redoes_what_follows_and_points_stay_stored_once(folder):
    """A line moved by a metre redoes legs onward, a weight of the layout layout onward."""
    kept = stages(folder)
    assert all(len(copies) == 1 for copies in kept.values())
    (points,) = kept["ingest"][0].glob("points.bin")
    stamp = points.stat().st_mtime_ns
    draw(folder, Across=(28.0, 81.0), Seen=(5.0, 31.0))
    done = called("score", folder / "run.yaml")
    assert done.returncode == 0, done.stderr
    assert "made: legs, holes, trim, layout, closer, roundtees, roundwork, publish;" in done.stdout
    assert scored(folder)["length_m"].max() == pytest.approx(53.0, abs=0.8)
    after = stages(folder)
    assert all(len(copies) == 1 for copies in after.values())
    assert after["ingest"] == kept["ingest"]
    assert points.stat().st_mtime_ns == stamp
    assert after["legs"] != kept["legs"]
    done = called("score", configured(folder, weights={"quality": 3.0}))
    assert done.returncode == 0, done.stderr
    assert "made: layout, closer, roundtees, roundwork, publish;" in done.stdout
    assert stages(folder)["legs"] == after["legs"]


@pytest.fixture(scope="module")
def through_a_wood(tmp_path_factory):
    """What is published of the least work of ten own lines through the demo's wood."""
    folder = tmp_path_factory.mktemp("wood")
    left, bottom = LAND.bounds[:2]
    ends = [((6 + 8 * k, 20), (10 + 8 * k, 65)) for k in range(5)]
    ends += [((5, 12 + 12 * k), (50, 16 + 12 * k)) for k in range(5)]
    lines = [LineString([(left + x, bottom + y) for x, y in both]) for both in ends]
    names = [f"line {k}" for k in range(len(lines))]
    gpd.GeoDataFrame({"name": names}, geometry=lines, crs=26916).to_file(folder / "own.gpkg")

    def least_work(**trim) -> tuple[dict, gpd.GeoDataFrame]:
        done = called("score", small_property(folder, own_holes="own.gpkg", trim=trim))
        assert done.returncode == 0, done.stderr
        out = folder / "out" / "own-holes"
        found = json.loads((out / "summary.json").read_text())["findings"]["trim"]
        return found, gpd.read_file(out / "scout.gpkg", layer="trim_work")

    return least_work


def test_only_lines_that_were_solved_count_as_proven_least(through_a_wood):
    """Of ten lines one is clear already, and most are out of reach of any work."""
    found, _ = through_a_wood()
    assert found["legs"] == 10
    assert found["legs_clear_already"] >= 1
    assert found["legs_out_of_reach"] >= 5
    assert 1 <= found["legs_solved"] <= 10 - found["legs_clear_already"] - 5
    assert found["legs_proven_least"] <= found["legs_solved"]


def test_work_out_of_reach_is_proposed_down_to_the_share_that_is_set(through_a_wood):
    some, all_, none = (through_a_wood(hopeless=share) for share in (0.5, 0.001, 1.0))
    solved = [found["legs_solved"] for found, _ in (none, some, all_)]
    assert solved[0] < solved[1] < solved[2]
    chosen = [int(work["chosen"].sum()) for _, work in (none, some, all_)]
    assert chosen[0] < chosen[1] < chosen[2]


def test_a_planted_ride_of_two_pulses_is_published_as_clear(tmp_path):
    """Stemless rides under pines, no brush beside them; 0.68 where strips are not sought."""
    world = truth_worlds.survey("pines", 2.0, 4)
    pulses.write_laz(tmp_path / "tile.laz", world.points)
    left, bottom = world.bounds[:2]
    rides = [bottom + lane.middle for lane in world.truth["lanes"] if lane.kind == "tunnel"]
    lines = [LineString([(left + 16, y), (left + 62, y)]) for y in rides]
    own = gpd.GeoDataFrame({"name": ["one", "other"]}, geometry=lines, crs=26916)
    own.to_file(tmp_path / "own.gpkg")
    done = called("score", configured(tmp_path, property=None))
    assert done.returncode == 0, done.stderr
    assert (scored(tmp_path)["clear_rate"] > 0.75).all()
