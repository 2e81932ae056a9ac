"""Land that only one throw fits: it must be found, and named for what it is."""

from dataclasses import replace

import numpy as np
import pytest
import shapely

import leg_worlds
from lanewright.flight.flight import TARGET, Arc, fly_throws
from lanewright.legs.measure import scored
from lanewright.legs.sites import find_sites
from lanewright.legs.thrower import thrower_of
from lanewright.legs.throwing import Lines
from lanewright.settings.cover import CoverSettings
from lanewright.settings.flight import FlightSettings
from lanewright.settings.legs import LegsSettings, SitesSettings
from lanewright.settings.levels import levels_named
from leg_worlds import score_legs

SETTINGS = LegsSettings(throws=400, shortest=45.0, sites=SitesSettings(boundary_setback=0.0))
TEE = (40.0, 100.0)  # m from the south-west


@pytest.fixture(scope="module")
def flights():
    return fly_throws(levels_named(("blue",)), FlightSettings())


def corridor(path, half):
    """Land under a path that starts at the tee, with room for tee and basket."""
    line = shapely.LineString(path)
    ends = [shapely.Point(p).buffer(6.0) for p in (path[0], path[-1])]
    return shapely.union_all([line.buffer(half), *ends])


def outside(world, shape):
    x, y = leg_worlds.centres(world)
    return ~shapely.contains_xy(shape, x, y)


def between(found, tee, end, near=5.0):
    """Legs from near one place to near another, metres from the south-west corner."""

    def close(sites, key, place):
        at = sites.set_index("site_id").geometry.get_coordinates().loc[found.legs[key]].to_numpy()
        return np.hypot(at[:, 0] - leg_worlds.LEFT - place[0],
                        at[:, 1] - leg_worlds.BOTTOM - place[1]) <= near  # fmt: skip

    here = close(found.tee_sites, "tee_id", tee) & close(found.basket_sites, "end_id", end)
    return found.legs[here]


@pytest.mark.parametrize(("finish", "other"), [("right", "left"), ("left", "right")])
def test_a_dogleg_that_one_finish_fits_is_found_and_named(flights, finish, other):
    blue, length = flights.levels[0], 82.0
    arc = blue.arcs.index(Arc(finish, "usual", wide=True))
    place = blue.bin_of(np.array([length]))[0]
    assert blue.exists[place, blue.grade.size // 2, arc]
    along, left = blue.path[place, blue.grade.size // 2, arc, : TARGET + 1, :2].T * length
    path = np.column_stack([TEE[0] + along, TEE[1] + left])
    assert np.abs(left).max() > 9.0
    world = leg_worlds.bare()
    world = leg_worlds.planted(world, outside(world, corridor(path, 4.5)), 1.0)
    found = score_legs(world, flights, SETTINGS)
    legs = between(found, path[0], path[-1])
    assert len(legs) > 0
    assert set(legs["finish"]) == {finish}
    best = legs.iloc[0]
    assert best["clear_rate"] > 0.15
    assert best[f"clear_rate_{finish}"] == best["clear_rate"]
    assert best["clear_rate_straight"] < 0.25 * best["clear_rate"]
    assert best[f"clear_rate_{other}"] < 0.25 * best["clear_rate"]


def test_a_tunnel_that_a_low_straight_throw_fits_is_found_and_named(flights):
    world = leg_worlds.bare()
    path = np.array([TEE, (TEE[0] + 60.0, TEE[1])])
    shape = corridor(path, 5.0)
    walls = leg_worlds.planted(world, outside(world, shape), 1.0)
    roof = leg_worlds.planted(walls, ~outside(world, shape), 1.0, low=3.25)
    world = replace(
        roof,
        canopy_height=np.full(world.grid.shape, 16.0, np.float32),
        free_width=walls.free_width,
        lane_kind=walls.lane_kind,
    )
    found = score_legs(world, flights, SETTINGS.model_copy(update={"shortest": 55.0}))
    legs = between(found, path[0], path[1], near=8.0)
    assert len(legs) > 0
    assert set(legs["finish"]) == {"straight"}
    assert set(legs["height_class"]) == {"low"}
    assert set(legs["lane_kind"]) == {"tunnel"}
    best = legs.iloc[0]
    assert best["clear_rate"] > 0.15
    for finish in ("left", "right"):
        assert not best[f"clear_rate_{finish}"] > 0.5 * best["clear_rate"]
    # most failing throws touch the roof, and it is growth over their heads
    assert best["fail_on"] == "limb"


def test_without_a_roof_or_walls_every_finish_fits(flights):
    """The same places in the open: what was named above came from the trees."""
    found = score_legs(leg_worlds.bare(), flights, SETTINGS.model_copy(update={"keep": 60}))
    rates = found.legs[[f"clear_rate_{f}" for f in ("straight", "left", "right")]]
    assert (rates.fillna(1.0) == 1.0).all(axis=None)
    assert found.legs["fail_on"].isna().all()
    assert found.legs["fail_at_m"].isna().all()


@pytest.mark.parametrize(
    ("level", "most", "fewer"), [(None, "blue", "red"), ("red", "red", "blue")]
)
def test_levels_that_no_layouts_are_made_for_keep_fewer_legs(level, most, fewer):
    both = fly_throws(levels_named(("blue", "red")), FlightSettings())
    counts = []
    for others in (1.0, 0.02):
        cover = CoverSettings(others=others)
        settings = SETTINGS.model_copy(update={"keep": 80, "level": level, "cover": cover})
        legs = score_legs(leg_worlds.bare(300), both, settings).legs
        counts.append(legs["level"].value_counts().reindex([most, fewer], fill_value=0).tolist())
    assert counts[0][0] == counts[1][0] > 3
    assert counts[0][1] > 3 > counts[1][1]


def test_failures_are_placed_where_a_limb_hangs_into_the_way(flights):
    """A bough over the left half of the flight, 30 m out and 3 to 5 m up."""
    world = leg_worlds.bare()
    x, y = leg_worlds.centres(world)
    bough = (np.abs(x - 70) < 1.0) & (y > 100.5) & (y < 106)
    world = leg_worlds.planted(world, bough, 30.0, low=2.75, high=9.0, blocked=False)
    thrower = thrower_of(replace(world, leaf_state="off"), flights, SETTINGS)
    blue = flights.levels[0]
    sites = find_sites(leg_worlds.bare(), SETTINGS.sites)
    line = Lines(
        *(np.array([v]) for v in (200, 80, 200, 210, blue.arcs.index(Arc("straight", "usual"))))
    )
    tee, basket = sites.tees.iloc[:1], sites.baskets.iloc[:1]
    leg = scored(thrower, thrower.players[0], tee, basket, line).iloc[0]
    assert 0.2 < leg["clear_rate"] < 0.98
    assert leg["fail_at_m"] == pytest.approx(30.0, abs=1.5)
    assert 2.75 <= leg["fail_height_m"] < 9.0
    assert 0.5 < leg["fail_side_m"] < 6.5
    assert leg["fail_on"] == "limb"


def test_a_level_that_reaches_no_basket_says_how_far_it_throws(flights):
    far = SETTINGS.model_copy(update={"shortest": 300.0, "longest": 310.0})
    said = score_legs(leg_worlds.bare(120.0), flights, far).warnings
    assert said[0].startswith("blue reaches no basket site from any tee site: the level throws")
    assert "the sites lie" in said[0]
