"""Land that holds too few holes says so, and why."""

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import pytest
import shapely

from lanewright.legs.refused import REASONS
from lanewright.publish.landwords import land_words
from lanewright.publish.report.first import first_lines
from lanewright.publish.report.taken import taken_of
from lanewright.publish.report.words import Units
from lanewright.settings.config import Config
from publish.findings import made
from publish.frames import frame


def layers(fit: int, **squares: int) -> dict[str, gpd.GeoDataFrame]:
    """A first proposal of `fit` holes, and squares without a tee by reason (underscores)."""
    rows = [(name.replace("_", " "), n) for name, n in squares.items()]
    total = sum(n for reason, n in rows if reason != "outside the property")
    table = gpd.GeoDataFrame(
        {
            "use": "tee",
            "code": [REASONS.index(reason) for reason, _ in rows],
            "reason": [reason for reason, _ in rows],
            "squares": [n for _, n in rows],
            "squares_alone": 0,
            "share": [n / total for _, n in rows],
        },
        geometry=[shapely.box(0, 0, 1, 1)] * len(rows),
    )
    layout = frame("layout_holes", max(fit, 1)).iloc[:fit]
    layout["proposal"], layout["fair"] = 1, "yes"
    return {"refused_squares": table, "layout_holes": layout}


def config(**more) -> Config:
    return Config(name="Wood", points=("a.laz",), out=Path("out"), **more)


def test_a_dense_wood_is_called_no_land_without_clearing():
    wood = layers(3, outside_the_property=900, none=40, no_room=920, near_the_property_line=40)
    (said,) = land_words(config(), wood)
    assert said.startswith(
        "no land for a course of 18 holes without clearing: 3 fit, because 92% of it has no spot"
    )
    # Holes of lanes to cut are no holes of the land as it is; their work stands beside them.
    wood["layout_holes"] = wood["layout_holes"].assign(
        fair=["yes", "after trim", "after trim"], trim_hours_low=2.0, trim_hours_high=9.0
    )
    (cleared,) = land_words(config(), wood)
    assert "without clearing; with clearing 3 fit, 6 to 27 hours of work in all, because" in cleared
    # 40 of 1,000 squares are too few to be named; those outside count for nothing.
    assert "property line" not in said


def test_a_hillside_is_not_sent_to_the_saw():
    steep = layers(2, none=100, too_steep=600, no_room=300)
    (said,) = land_words(config(), steep)
    assert "18 holes as it is: 2 fit, because 60% of it is steeper than a tee (15 %)" in said
    assert "30% has no spot with 2 m (7 ft) free" in said


def test_a_round_that_walks_more_than_it_plays_is_no_course():
    land = layers(18, none=60, too_steep=40)
    land["layout_holes"]["length_m"] = 100.0
    land["layout_walks"] = frame("layout_walks", 2).assign(proposal=1, length_m=[900.0, 901.0])
    (said,) = land_words(config(), land)
    assert "18 fit, with 1,801 m (5,909 ft) of walk for 1,800 m (5,906 ft) of play" in said
    assert "because 40% of it is steeper" in said
    assert not land_words(config(layout={"most_walk": 1.01}), land)


@pytest.mark.parametrize(
    ("fit", "wanted", "said"), [(9, 18, 0), (8, 18, 1), (3, 6, 0), (2, 4, 1), (2, 2, 0), (0, 1, 1)]
)
def test_land_that_holds_half_the_holes_is_not_called_none(fit, wanted, said):
    assert len(land_words(config(holes=wanted), layers(fit, none=10, no_room=90))) == said


@pytest.mark.parametrize(
    ("units", "first", "second"),
    [
        ("metres", "1,801 m (5,909 ft) of walk", "within 15 m (49 ft) of the property line"),
        ("feet", "5,909 ft (1,801 m) of walk", "within 49 ft (15 m) of the property line"),
    ],
)
def test_the_page_says_so_in_the_units_of_the_reader(units, first, second):
    found = made(units=units).found
    land = layers(3, none=60, near_the_property_line=40)
    land["layout_walks"] = frame("layout_walks", 2).assign(proposal=1, length_m=[900.0, 901.0])
    shown = replace(found, layers=dict(found.layers) | land)
    fits = first_lines(shown, Units(units == "feet"))[0].text
    assert first in fits
    assert second in fits
    taken = taken_of(shown, Units(units == "feet"))
    assert second in taken.said[0]
    assert any(second in row[0] for row in taken.rows)
