"""Other tees and pins of a round against the rules between its holes, on open land."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import leg_worlds
from lanewright.layout.checklines import Check
from lanewright.layout.roundtees import _fit
from lanewright.settings.holes import SafetySettings
from lanewright.settings.levels import level_named

LEVELS = (level_named("blue"), level_named("red"))
CORNER = np.array([leg_worlds.LEFT, leg_worlds.BOTTOM])
THROWS = {
    1: ((100, 40), (100, 130)),  # hole 1
    2: ((160, 40), (160, 130)),  # hole 2
    3: ((100, 70), (100, 130)),  # a nearer tee of hole 1
    4: ((152, 80), (100, 130)),  # one beside hole 2
    5: ((100, 40), (100, 105)),  # a nearer pin
    6: ((100, 40), (150, 110)),  # one on the fairway of hole 2
}
"""Throws by number: from, to, metres from the south-west corner."""


def legs() -> gpd.GeoDataFrame:
    lines = [shapely.LineString(np.array(ends) + CORNER) for ends in THROWS.values()]
    return gpd.GeoDataFrame(
        {"leg_id": list(THROWS), "finish": "straight"}, geometry=lines, crs=leg_worlds.CRS
    )


@pytest.mark.parametrize(
    ("leg", "position", "level", "fits"),
    [
        (3, "tee", "red", True),
        (4, "tee", "red", False),
        (5, "pin", "blue", True),
        (6, "pin", "blue", False),
    ],
)
def test_a_position_too_near_another_hole_of_the_round_is_dropped(leg, position, level, fits):
    """120 feet between fairways over open ground: a trade handbook's figure."""
    table = legs()
    rounds = gpd.GeoDataFrame(
        {
            "proposal": 1, "play_order": [1, 2], "hole_id": [11, 12], "level": "blue",
            "finish": "straight",
        },
        geometry=table.geometry[:2].to_list(), crs=leg_worlds.CRS,
    )  # fmt: skip
    links = pd.DataFrame({"hole_id": [11, 12], "throw": 0, "leg_id": [1, 2]})
    asked = gpd.GeoDataFrame(
        {"hole_id": [11], "position": [position], "level": [level], "leg_id": [leg]},
        geometry=[shapely.Point(CORNER)], crs=leg_worlds.CRS,
    )  # fmt: skip
    scene = leg_worlds.bare(300.0, 1.0)
    near = dict.fromkeys(("fairway", "tee_basket", "behind"), (1, 1))
    strict, free = SafetySettings(), SafetySettings(**near, near_deg=0.1, far_deg=0.1)
    assert _fit(asked, links, table, rounds, Check(LEVELS, scene, strict)).tolist() == [fits]
    assert _fit(asked, links, table, rounds, Check(LEVELS, scene, free)).tolist() == [True]
    # Where no round plays the hole, no hole is beside it.
    elsewhere = rounds.assign(hole_id=[13, 12])
    assert _fit(asked, links, table, elsewhere, Check(LEVELS, scene, strict)).tolist() == [True]
