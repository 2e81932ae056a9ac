"""What the run knows of what only the owner can answer; every figure planted."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely

from lanewright.publish.crew import RoundWork
from lanewright.publish.ownerquestions import owner_questions
from lanewright.publish.report.words import Units
from publish.findings import GRID, made
from publish.frames import ORIGIN, UTM, frame

SUBJECTS = [
    "rights", "flood zone", "wetland inventory", "soil map", "easements and buried lines",
    "hunting and farming", "trees and plans",
]  # fmt: skip


def on(*places: tuple[float, float]) -> shapely.LineString:
    return shapely.LineString([(ORIGIN[0] + x, ORIGIN[1] + y) for x, y in places])


def layer(geometry, **columns) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=geometry, crs=UTM)


@pytest.fixture(scope="module")
def found():
    """Two holes on 400 m square: 1 ends 12 m from the line, 2 goes from water to a wire."""
    base = made(without=("layout_holes",)).found
    holes = frame("layout_holes", 2)
    holes["proposal"], holes["play_order"] = 1, [1, 2]
    holes.geometry = [on((100, 100), (100, 12)), on((200, 200), (200, 260), (300, 300))]
    over = np.full(GRID.shape, 5.0)
    over[GRID.rowcol(np.array([ORIGIN[0] + 200.0]), np.array([ORIGIN[1] + 200.0]))] = 0.4
    slope = np.full(GRID.shape, 5.0)
    slope[:100] = 30.0
    square = shapely.box(*(np.array(ORIGIN) + 190).tolist(), *(np.array(ORIGIN) + 210).tolist())
    land = layer([shapely.box(*ORIGIN, ORIGIN[0] + 400, ORIGIN[1] + 400)],
                 source=["land.gpkg"], area_ha=[16.0])  # fmt: skip
    return replace(
        base,
        rasters=base.rasters | {"height_above_drainage": over, "slope": slope},
        layers=base.layers | {
            "property": land,
            "layout_holes": holes,
            "drainage": layer([on((0, 190), (100, 190)), on((0, 0), (0, 50))],
                              upslope_ha=[40.0, 1.0]),
            "water": layer([square], area_m2=[4000.0]),
            "wet_ground": layer([square, land.geometry[0]], area_m2=[400.0, 160000.0],
                                certainty=["likely", "possible"]),
            "wires": layer([on((310, 290), (310, 340))], length_m=[50.0]),
        },
    )  # fmt: skip


def known(found, feet: bool = False) -> dict[str, str]:
    return {q.subject: q.known.replace("\u202f", " ") for q in owner_questions(found, Units(feet))}


def test_each_subject_says_what_was_planted(found):
    said = known(found)
    assert list(said) == SUBJECTS
    assert "land.gpkg, 16.0 ha (39.5 acres)" in said["rights"]
    assert "Within 20 m (66 ft) of it: hole 1; the least is 12 m (39 ft)" in said["rights"]
    assert said["flood zone"].startswith("100 m (328 ft) of creek")
    assert "hole 2 with a spot less than 1.0 m (3 ft) over" in said["flood zone"]
    assert "0.40 ha (0.99 acres) of open water" in said["wetland inventory"]
    assert "0.04 ha (0.10 acres) of ground likely wet" in said["wetland inventory"]
    assert "at a spot of hole 2." in said["wetland inventory"]
    assert said["soil map"].startswith("25% of the land is steeper than 25 %")
    assert said["easements and buried lines"].startswith(
        "50 m (164 ft) of wire overhead, within 20 m (66 ft) of hole 2."
    )
    assert (
        said["trees and plans"] == "No tree to keep was named. The first proposal fells no trees."
    )


def test_feet_come_first_where_the_reader_wants_them(found):
    assert "the least is 39 ft (12 m)" in known(found, feet=True)["rights"]


def test_trees_to_fell_are_those_of_the_first_proposal(found):
    work = {
        1: RoundWork(1, (), (), 3, (1.0, 2.0), 7, 0.0),
        2: RoundWork(2, (), (), 3, (1, 2), 9, 0),
    }
    given = replace(found)
    given.__dict__["rounds"] = work
    assert known(given)["trees and plans"].endswith("fells 7 trees.")


def test_without_a_round_or_lidar_nothing_is_made_up(found):
    dry = {"slope": found.rasters["slope"], "height_above_drainage": np.full(GRID.shape, 5.0)}
    bare = replace(found, layers={"property": found.layers["property"]}, rasters=dry)
    said = known(bare)
    assert list(said) == SUBJECTS
    assert said["flood zone"] == "No creek. No flood map was looked at."
    assert said["wetland inventory"].startswith("No open water was found, and no ground")
    assert "hole" not in " ".join(said.values()).replace("whole", "")


def test_heights_over_ground_alone_say_nothing_of_water_or_slope(found):
    """As from a survey whose heights are given above ground: unknown is not none."""
    nothing = np.full(GRID.shape, np.nan)
    given = replace(found, layers={"property": found.layers["property"]},
                    rasters={"slope": nothing, "height_above_drainage": nothing})  # fmt: skip
    said = known(given)
    assert said["flood zone"] == said["wetland inventory"]
    assert said["flood zone"].startswith("Nothing: ")
    assert said["soil map"] == "What it is made of is not known."
