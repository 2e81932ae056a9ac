"""From tiles to the published round: a house that nobody classified, and a path, keep their room.

Two hectares of bare ground with a gabled house near one side and a footpath along the other. The
distances are measured here from the published lines, by the settings alone.
"""

import json
import shutil
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
import yaml

import pulses
import worlds
from lanewright.settings.holes import SafetySettings
from lanewright.settings.levels import level_named
from run.runs import called

SIDE = 150.0
GREEN = level_named("green")
RULES = SafetySettings()
HOUSE = shapely.box(22, 68, 36, 79)
PATH = shapely.LineString([(128, -5), (128, 155)])
LAYOUT = {
    "level": "green",
    "proposals": 1,
    "hole": {"keep": 60, "most_legs": 1},
    "solver": {"first": {"changes_each": 300}, "work": 1, "candidates": 60},
}
WIDE = {"boundary": [1.0, 1.0]}  # the property line is not what is tested


def here(shape: shapely.Geometry) -> shapely.Geometry:
    return shapely.affinity.translate(shape, worlds.LEFT, worlds.BOTTOM)


def survey(folder: Path) -> None:
    """Write a tile with the house among its points (class 1), and the path."""
    p = worlds.plane(density=4.0, slope=(0.0, 0.02), size=SIDE).points
    house = here(HOUSE)
    kept = {k: np.asarray(v)[~shapely.contains_xy(house, p["x"], p["y"])] for k, v in p.items()}
    left, bottom, right, top = house.bounds
    rng = np.random.default_rng(3)
    n = round(4.0 * house.area)
    roof = {k: np.asarray(v)[:n].copy() for k, v in p.items()}
    roof["x"], roof["y"] = rng.uniform(left, right, n), rng.uniform(bottom, top, n)
    ridge = 5.5 - 0.6 * np.abs(roof["y"] - (bottom + top) / 2)
    roof["z"] = worlds.GROUND + 0.02 * (roof["y"] - worlds.BOTTOM) + ridge + rng.normal(0, 0.03, n)
    roof["classification"] = np.ones(n, np.uint8)
    roof["return_number"] = roof["number_of_returns"] = np.ones(n, np.uint8)
    pulses.write_laz(folder / "tile.laz", {k: np.concatenate([kept[k], roof[k]]) for k in kept})
    gpd.GeoDataFrame(geometry=[here(PATH)], crs=26916).to_file(folder / "path.gpkg")
    line = shapely.LineString([(60, 30), (60, 80)])  # 24 m from the house at its basket
    gpd.GeoDataFrame({"name": ["By the house"], "wish": ["keep"]}, geometry=[here(line)],
                     crs=26916).to_file(folder / "own.gpkg")  # fmt: skip


def scouted(folder: Path, out: str, safety: dict, like: Path | None = None, **more) -> Path:
    """Run on the survey; over a copy of the run `like`, which leaves less to compute."""
    if like is not None:
        shutil.copytree(like, folder / out)
    settings = {
        "name": "House and path",
        "points": [str(folder / "tile.laz")],
        "leaf_state": "off",
        "levels": ["green"],
        "holes": 3,
        "out": str(folder / out),
        "legs": {"sites": {"boundary_setback": 2.0, "spacing": 8.0}, "throws": 64, "keep": 400},
        "layout": LAYOUT | {"paths": str(folder / "path.gpkg"), "safety": WIDE | safety},
    }
    path = folder / f"{out}.yaml"
    path.write_text(yaml.safe_dump(settings | more))
    done = called("scout", path)
    assert done.returncode == 0, done.stderr
    return folder / out


def nearest(line: shapely.Geometry, what: shapely.Geometry, asked: float) -> float:
    """Least share of the distance asked for along a line of play, by the metre; 1 is enough."""
    line = shapely.force_2d(line)
    at = np.arange(0.0, line.length, 1.0)
    places = shapely.line_interpolate_point(line, np.r_[at, line.length])
    flown = shapely.distance(places, places[0])
    part = np.clip(flown / (RULES.full_at * GREEN.tee_throw), RULES.at_tee, 1.0)
    return float((shapely.distance(places, here(what)) / (part * asked)).min())


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("house")
    survey(folder)
    return folder


@pytest.fixture(scope="module")
def ruled(folder) -> Path:
    return scouted(folder, "ruled", {})


@pytest.fixture(scope="module")
def unruled(folder, ruled) -> Path:
    free = {"building": [0.001, 0.001], "path": [0.001, 0.001]}
    return scouted(folder, "unruled", free, ruled)


@pytest.mark.parametrize("layer", ["holes", "layout_holes"])
@pytest.mark.parametrize(
    ("what", "asked"), [(HOUSE, RULES.building[0]), (PATH, RULES.path[0])], ids=["house", "path"]
)
def test_lines_of_play_keep_the_room_that_the_settings_ask_for(ruled, unruled, layer, what, asked):
    lines = gpd.read_file(ruled / "scout.gpkg", layer=layer).geometry
    assert len(lines) > 1
    assert min(nearest(line, what, asked) for line in lines) > 0.98  # the outline is of metre cells
    if layer == "holes":  # without the rule they come nearer, so that it is the rule that works
        free = gpd.read_file(unruled / "scout.gpkg", layer=layer).geometry
        assert min(nearest(line, what, asked) for line in free) < 0.8


def test_no_site_and_no_leg_lies_on_the_house(unruled):
    """Whatever the distances: nobody stands in a house or throws over it."""
    for layer in ("tee_sites", "basket_sites", "legs"):
        shapes = gpd.read_file(unruled / "scout.gpkg", layer=layer).geometry
        assert len(shapes) > 10
        setback = 0.2 if layer == "legs" else 14.0
        lines = shapely.force_2d(shapes.to_numpy())
        # The outline found is of metre cells.
        assert shapely.distance(lines, here(HOUSE.buffer(-0.5))).min() > setback


def test_the_check_reports_a_hole_that_is_kept_beside_the_house(folder, ruled):
    out = scouted(folder, "kept", {}, ruled, own_holes=str(folder / "own.gpkg"))
    summary = json.loads((out / "summary.json").read_text())
    assert any("By the house is kept, against the rule: building too near" in warning
               for warning in summary["warnings"])  # fmt: skip
    broken = summary["findings"]["layout"]["rules_broken"]["1"]
    assert any("building too near" in rule for rule in broken)


def test_a_round_that_keeps_the_rules_breaks_none(ruled):
    summary = json.loads((ruled / "summary.json").read_text())
    assert summary["findings"]["layout"]["rules_broken"] == {"1": []}


def test_the_summary_says_how_many_holes_may_follow_each(ruled):
    """No more than tees lie within 30 m of each basket, counted from the published lines."""
    summary = json.loads((ruled / "summary.json").read_text())
    said = summary["findings"]["holes"]["green_next_holes"]
    lines = gpd.read_file(ruled / "scout.gpkg", layer="holes").geometry.to_numpy()
    tees, baskets = (shapely.get_point(lines, i) for i in (0, -1))
    near = shapely.distance(baskets[:, None], tees[None]) <= 30.0
    np.fill_diagonal(near, False)
    assert said["within_m"] == 30.0
    assert 0 <= said["median"] <= np.median(near.sum(1))
    assert said["share of holes with none"] >= (near.sum(1) == 0).mean() - 1e-4
