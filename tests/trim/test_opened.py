"""A planted leg that growth alone makes unfair ranks by the work that opens it, hours named.

Land, throws and stages are real: a screen of limbs hangs across the one leg of a hole.
"""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

import leg_worlds
from lanewright.base import schema
from lanewright.flight.flight import fly_throws
from lanewright.holes.holes import make_holes
from lanewright.holes.wording import as_layer
from lanewright.legs.throwing import LINE
from lanewright.settings.flight import FlightSettings
from lanewright.settings.holes import HoleSettings
from lanewright.settings.judge import JudgeSettings
from lanewright.settings.legs import LegsSettings, SitesSettings
from lanewright.settings.levels import levels_named
from lanewright.settings.trim import TrimSettings
from lanewright.trim.opened import effort, with_outcome
from lanewright.trim.plan import plan_trim, with_hours
from lanewright.trim.tables import no_trim
from leg_worlds import score_own
from trim_worlds import Grown, Tree, grown

SCREEN = Grown(79, 92, 81, 108, 2.0, 6.0, 4.0)
LINE_OF_PLAY = shapely.LineString(
    [(leg_worlds.LEFT + x, leg_worlds.BOTTOM + 100) for x in (60.0, 140.0)]
)


@pytest.fixture(scope="module")
def flights():
    return fly_throws(levels_named(("blue",)), FlightSettings())


def published(world, flights, **fair):
    """The one leg and the one hole as layers hold them."""
    settings = LegsSettings(
        throws=500, sites=SitesSettings(boundary_setback=2.0), judge=JudgeSettings(fair=fair)
    )
    levels = tuple(flight.level for flight in flights.levels)
    legs = score_own(world, flights, settings, [("a", LINE_OF_PLAY)], leaf_state="off")
    holes = make_holes(world, levels, legs, HoleSettings(), weights=settings.judge.interest)
    trim = plan_trim(
        world, flights, (holes, no_trim(world.grid)), settings, TrimSettings(throws=400)
    )
    leg = with_outcome(holes.legs, trim.legs, "leg_id").drop(columns=list(LINE))
    hole = as_layer(with_hours(holes, trim), holes.links, holes.pars, holes.legs)
    return schema.conform("legs", leg).iloc[0], schema.conform("holes", hole).iloc[0]


def closed():
    return grown(SCREEN, trees=(Tree(80, 108.5, base=2.0, crown=18.0),))


def test_a_leg_that_limbs_close_ranks_after_its_work_with_the_hours(flights):
    leg, hole = published(closed(), flights)
    bare, bare_hole = published(leg_worlds.bare(), flights)
    assert "gap" in leg["unfair"]
    assert (leg["fair"], hole["fair"], bare["fair"]) == ("after trim",) * 2 + ("yes",)
    assert 0 < leg["trim_hours_low"] < leg["trim_hours_high"] == hole["trim_hours_high"]
    assert np.isnan(bare["trim_hours_high"])  # fair as it is
    hours = f"{hole['trim_hours_low']:.1f} to {hole['trim_hours_high']:.1f} hours of trimming."
    assert hole["sentence"].endswith(f"fair after {hours}")
    assert "not fair as it is: its narrowest gap lets" in hole["sentence"]
    assert "fair after" not in bare_hole["sentence"]
    # The screen adds interest and takes hours: between nothing and 1.5 times the bare leg.
    assert 0 < leg["score"] < 1.5 * bare["score"]
    assert 0 < hole["score"] < 1.5 * bare_hole["score"]
    assert leg["score"] > leg["promise"]  # cut, it is easier than it is


def test_too_many_hours_leave_it_unfair_without_a_score(flights):
    leg, hole = published(closed(), flights, hours=0.01)
    assert (leg["fair"], leg["score"]) == (hole["fair"], hole["score"]) == ("no", 0)
    assert leg["promise"] > 0


def test_toil_takes_its_share_of_the_score(flights):
    free, costly = (published(closed(), flights, toil=t, hours=2.0)[0] for t in (0.0, 0.8))
    used = costly["trim_hours_high"] / 2.0
    assert costly["score"] == pytest.approx(free["score"] * (1 - 0.8 * used), rel=0.01)


def test_what_trimming_cannot_open_stays_without_a_score(flights):
    world = replace(closed(), wet=np.ones(leg_worlds.bare().grid.shape, bool))
    leg, hole = published(world, flights)
    assert (leg["fair"], hole["fair"]) == ("no", "no")
    assert leg["score"] == hole["score"] == leg["promise"] == 0


@given(st.floats(0, 200), st.floats(0, 200), st.floats(0.001, 100), st.floats(0, 1))
def test_more_hours_never_leave_more(a, b, most, toil):
    settings = LegsSettings(judge=JudgeSettings(fair={"hours": most, "toil": toil}))
    less, more = effort(np.sort([a, b]), settings)
    assert 0 <= more <= less <= 1
