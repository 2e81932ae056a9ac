"""From tiles to what is published: a dense wood says what took it, and where a lane could be cut.

Growth to 7 m, over which no flight goes, on most of a hectare under a roof, with one seam through
it that two walls of growth cross. What comes out is held against the seam and against itself.
"""

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
import yaml

import pulses
import worlds
from land import Band
from run.runs import called

SIDE = 90.0
SEAM = 6.0  # m wide, west to east through the middle
WALLS = ((30.0, 32.0), (58.0, 60.0))  # m from the west edge, of brush across it


@pytest.fixture(scope="module")
def out(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("wood")
    _, _, x, y = worlds._frame(SIDE)
    x, y = x - worlds.LEFT, y - worlds.BOTTOM
    seam = np.abs(y - SIDE / 2) < SEAM / 2
    for left, right in WALLS:
        seam &= (x < left) | (x > right)
    brush = np.where(seam, 0.0, 0.2).astype(np.float32)
    world = worlds._world(SIDE, 12.0, 5, bands=[Band(brush, 0.0, 7.0), Band(0.05, 9.0, 12.0)])
    pulses.write_laz(folder / "tile.laz", world.points)
    settings = {
        "name": "Wood",
        "points": ["tile.laz"],
        "leaf_state": "off",
        "levels": ["green"],
        "holes": 9,
        "out": "out",
        "legs": {"sites": {"boundary_setback": 2.0}, "throws": 64, "keep": 100},
        "cuts": {"keep": 2, "planned": 8, "for_rounds_per_ha": 6, "for_rounds": 4},
        "layout": {"proposals": 1, "solver": {"first": {"changes_each": 100}, "work": 0.2}},
    }
    (folder / "run.yaml").write_text(yaml.safe_dump(settings))
    done = called("scout", folder / "run.yaml")
    assert done.returncode == 0, done.stderr
    (folder / "out" / "said.txt").write_text(done.stdout)
    return folder / "out"


def layer(out: Path, name: str) -> gpd.GeoDataFrame:
    return gpd.read_file(out / "scout.gpkg", layer=name)


def test_every_square_is_accounted_for_in_table_raster_and_summary(out):
    table = layer(out, "refused_squares")
    squares = (SIDE / 5) ** 2
    legs = json.loads((out / "summary.json").read_text())["findings"]["legs"]
    for use in ("tee", "basket"):
        mine = table[table["use"] == use].set_index("reason")
        with rasterio.open(out / "rasters" / f"refused_{use}.tif") as source:
            codes = source.read(1)
        assert mine["squares"].sum() >= squares
        assert mine["squares"].sum() == sum(legs[f"{use}_sites"].values())
        cell = SIDE / 180
        for reason, row in mine.iterrows():
            cells = (codes == row["code"]).sum()
            # Written in hundredths of a hectare.
            assert row["area_ha"] == pytest.approx(cells * cell**2 / 1e4, abs=0.0051), reason
        # The brush is everywhere but in the seam.
        assert mine["squares"].drop("none", errors="ignore").idxmax() == "no room"


def test_the_closing_lines_and_the_page_say_that_it_is_no_land_without_clearing(out):
    said = (out / "said.txt").read_text()
    assert "no land for a course of 9 holes without clearing" in said
    assert "hours of one trained hand" in said
    # Lanes to cut are holes too: what fits once they are cut, and the hours that takes.
    assert "; with clearing 1 fit, " in said
    page = (out / "report.html").read_text()
    assert "No land for a course of 9 holes without clearing" in page
    assert "Lanes to cut" in page
    assert "licensed arborist" in page


def test_the_first_lane_to_cut_is_the_planted_seam(out):
    lanes, work = layer(out, "cut_lanes"), layer(out, "cut_work")
    assert 1 <= len(lanes) <= 2
    first = lanes.iloc[0]
    middle = worlds.BOTTOM + SIDE / 2
    seam = shapely.box(worlds.LEFT, middle - 5, worlds.LEFT + SIDE, middle + 5)
    assert first.geometry.intersection(seam).length >= 0.9 * first.geometry.length
    assert first["clear_rate"] < 2 / 3 <= first["promised"]
    assert 0 < first["hours_low"] < first["hours_high"]
    pieces = work[work["lane_id"] == first["lane_id"]]
    assert len(pieces) == first["pieces"]
    facts = json.loads((out / "summary.json").read_text())["findings"]["cuts"]
    assert facts["lanes"] == len(lanes)
    assert facts["hours_per_hole_low"] == pytest.approx(lanes["hours_low"].median(), abs=0.06)


def test_lanes_to_cut_are_holes_of_rounds_with_their_work(out):
    """A wood without a fair line still gives a hole, and its work is that of its lane."""
    facts = json.loads((out / "summary.json").read_text())["findings"]
    holes, legs, played = layer(out, "holes"), layer(out, "legs"), layer(out, "layout_holes")
    cut = holes[holes["origin"] == "cut"]
    # `for_rounds_per_ha: 6` asks for five on this land, `for_rounds: 4` bounds that, and `keep: 2`
    # publishes two as lanes.
    assert facts["cuts"]["lanes_that_may_be_holes"] == 4 > facts["cuts"]["lanes"] == 2
    assert 0 < len(cut) == facts["holes"]["holes of lanes to cut"] <= 4
    assert (cut["fair"] == "after trim").all()
    assert (cut["score"] > 0).all()
    assert cut["sentence"].str.startswith("A lane to cut; ").all()
    assert (cut["clear_rate"] < 2 / 3).all()
    # Where throws would end once the lane is cut: at most one in twenty off the property.
    assert (legs.dropna(subset="lane_id")["unsafe_share"] <= 0.05).all()
    assert (legs.dropna(subset="lane_id")["rests_well_share"] >= 2 / 3).all()
    assert len(played)
    assert (played["fair"] == "after trim").all()
    assert facts["layout"]["candidates"] > len(holes) - len(cut)
    lanes, work = layer(out, "cut_lanes").set_index("lane_id"), layer(out, "trim_work")
    by_lane = legs.dropna(subset="lane_id").set_index("lane_id")
    for lane in by_lane.index.intersection(lanes.index):
        leg = by_lane.loc[lane]
        assert leg.geometry.hausdorff_distance(lanes.loc[lane].geometry) < 0.01
        pieces = work[work["leg_id"] == leg["leg_id"]]
        assert len(pieces) == lanes.loc[lane, "pieces"]
        assert pieces["chosen"].all()
    spots = layer(out, "basket_sites").set_index("site_id").geometry
    ends = shapely.get_point(by_lane.geometry.to_numpy(), -1)
    away = shapely.distance(shapely.force_2d(ends), spots.loc[by_lane["end_id"]].to_numpy())
    assert away.max() < 0.5
