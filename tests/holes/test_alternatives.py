"""Second routes, other tees and pins, on land where it is known what they must be."""

from dataclasses import replace

import numpy as np
import pytest
import shapely

import leg_worlds
from lanewright.base.schema import LAYERS, conform
from lanewright.flight.flight import fly_throws
from lanewright.holes.furtherlegs import Further, best_throws
from lanewright.holes.holes import make_holes
from lanewright.holes.wording import as_layer
from lanewright.legs.legs import Legs
from lanewright.legs.sites import find_sites
from lanewright.legs.thrower import thrower_of
from lanewright.legs.throwing import LINE
from lanewright.settings.flight import FlightSettings
from lanewright.settings.holes import HoleSettings
from lanewright.settings.legs import LegsSettings, SitesSettings
from lanewright.settings.levels import levels_named

LEVELS = levels_named(("blue", "red"))
CORNER = np.array([leg_worlds.LEFT, leg_worlds.BOTTOM])
SETTINGS = LegsSettings(throws=100, sites=SitesSettings(spacing=10))


@pytest.fixture(scope="module")
def flights():
    return fly_throws(LEVELS, FlightSettings())


def as_written(found):
    """The holes as they are written out."""
    return as_layer(found.holes, found.links, found.pars, found.legs)


def hole_over(world, flights, tee, end, **settings):
    """Candidates out of one throw of blue's between the sites nearest to two places."""
    sites = find_sites(world, SETTINGS.sites)
    thrower = thrower_of(replace(world, leaf_state="off"), flights, SETTINGS)
    further = Further(thrower, sites.tees, sites.baskets)

    def row(frame, at):
        return np.array([frame.geometry.distance(shapely.Point(CORNER + np.array(at))).argmin()])

    legs = best_throws(further, "blue", row(sites.tees, tee), row(sites.baskets, end))
    assert len(legs) == 1
    table = legs.drop(columns="line").assign(leg_id=1)
    return make_holes(
        world, LEVELS, Legs(sites.tees, sites.baskets, table),
        HoleSettings(**{"followers": 0} | settings),
        further=further,
    )  # fmt: skip


@pytest.fixture(scope="module")
def over_water(flights):
    """A pond 30 m long on the line of a hole of 90 m, and grass to both sides of it."""
    world = leg_worlds.bare(260.0, 1.0)
    x, y = leg_worlds.centres(world)
    pond = (np.abs(x - 130) < 12) & (np.abs(y - 130) < 15)
    return hole_over(replace(world, water=pond), flights, (130, 85), (130, 175), most_legs=1)


def test_a_way_round_is_found_for_a_carry_over_water(over_water):
    frame = conform("holes", as_written(over_water))
    assert len(frame) == 2
    bold, safe = (frame[frame["route"] == route].iloc[0] for route in ("bold", "safe"))
    assert (bold["pair_id"], safe["pair_id"]) == (safe["hole_id"], bold["hole_id"])
    assert (bold["throws"], safe["throws"]) == (1, 2)
    assert bold["carry_water_m"] > 20
    assert safe["carry_water_m"] < 3
    assert safe["length_m"] > bold["length_m"]
    assert safe["clear_rate"] >= bold["clear_rate"] - 1e-9
    ends = [shapely.get_coordinates(g)[[0, -1]] for g in (bold.geometry, safe.geometry)]
    np.testing.assert_allclose(*ends)
    # 12 m of pond beside the line, and the landing stays off its shore.
    pond = leg_worlds.box(118, 115, 142, 145)
    assert not shapely.intersects(safe.geometry, pond)


def test_new_throws_join_the_legs_and_are_named(over_water):
    legs = conform("legs", over_water.legs.drop(columns=list(LINE)))
    used = set(over_water.leg_ids)
    assert used <= set(legs["leg_id"])
    assert over_water.leg_ids.tolist() == sorted(used)
    assert 1 in used


def test_other_levels_get_a_tee_on_the_line_and_pins_lie_near(over_water):
    places = conform("hole_positions", over_water.positions)
    bold = over_water.holes[over_water.holes["route"] == "bold"].iloc[0]
    mine = places[places["hole_id"] == bold["hole_id"]]
    tee, basket = shapely.get_coordinates(bold.geometry)[[0, -1]]
    tees, pins = mine[mine["position"] == "tee"], mine[mine["position"] == "pin"]
    assert (tees["level"] == "red").all()
    # Red throws 70 m for blue's 101: its tee stands about two thirds as far out.
    assert tees["length_m"].iloc[0] == pytest.approx(90 * 70 / 101, abs=12)
    line = shapely.LineString([tee, basket])
    assert tees.geometry.distance(line).max() <= 10
    assert len(pins) == 2
    far = pins.geometry.distance(shapely.Point(basket))
    assert far.between(8, 25).all()
    assert set(places["leg_id"]) <= set(over_water.legs["leg_id"])
    assert set(LAYERS["hole_positions"].column("position").values) == {"tee", "pin"}


def test_open_ground_dares_nothing(flights):
    found = hole_over(leg_worlds.bare(260.0, 1.0), flights, (130, 85), (130, 175), most_legs=1)
    assert found.holes["route"].tolist() == ["safe"]
    assert found.holes["pair_id"].isna().all()


def test_throws_go_on_from_a_landing_zone_where_the_search_found_none(flights):
    """One throw on open ground; what follows it is thrown from where it lands."""
    found = hole_over(leg_worlds.bare(300.0, 1.0), flights, (60, 60), (60, 140))
    several = found.holes[found.holes["throws"] > 1]
    assert len(several) > 3
    assert found.facts["blue_throws_on"] > 3
    first = found.links[found.links["throw"] == 0].set_index("hole_id")["leg_id"]
    assert (first.loc[several["hole_id"]] == 1).all()
    # The longest of them play past where one throw and a finish would come, 101 m and 34 m.
    assert several["par"].max() >= 4
    # They open no holes by themselves, and nothing bars the way: no bends.
    assert (first.loc[found.holes.loc[found.holes["throws"] == 1, "hole_id"]] == 1).all()
    assert several["bend_deg"].abs().max() <= 25
    used = found.legs[found.legs["leg_id"].isin(found.leg_ids) & (found.legs["leg_id"] > 1)]
    assert used["length_m"].max() <= 0.8 * 101


def test_only_the_best_holes_get_other_tees_and_pins(flights):
    """On 9 ha: one hole by the smallest setting, several by the usual one."""
    world = leg_worlds.bare(300.0, 1.0)
    throw = world, flights, (60, 60), (60, 140)
    few = hole_over(*throw, positions_per_ha=0.01).positions
    assert few["hole_id"].nunique() == 1
    assert hole_over(*throw).positions["hole_id"].nunique() > 1


def test_a_throw_that_often_leaves_the_property_is_no_other_route(flights):
    """At a basket 24 m from the border: some throws of 86 m end outside."""
    world = leg_worlds.bare(260.0, 1.0)
    sites = find_sites(world, SETTINGS.sites)
    tee = sites.tees.geometry.distance(shapely.Point(CORNER + np.array([130, 150]))).argmin()
    end = sites.baskets.geometry.distance(shapely.Point(CORNER + np.array([130, 236]))).argmin()
    found = {}
    for most in (0.0, 1.0):
        settings = SETTINGS.model_copy(update={"most_unsafe": most})
        further = Further(thrower_of(world, flights, settings), sites.tees, sites.baskets)
        found[most] = best_throws(further, "blue", np.array([tee]), np.array([end]))
    assert found[1.0]["unsafe_share"].max() > 0
    assert len(found[0.0]) == 0


# ---------------------------------------------------------------------------------------------
# Tees where the last hole ended


def test_tees_are_found_where_a_hole_ends(flights):
    """One hole north over open ground: others start beside its basket, on the safe side."""
    world = leg_worlds.bare(260.0, 1.0)
    found = hole_over(world, flights, (130, 45), (130, 125), most_legs=1, followers=10)
    first = found.holes["level"].eq("blue") & found.holes["tee_id"].isin(found.legs["tee_id"][:1])
    hole, more = found.holes[first].iloc[0], found.holes[~first]
    assert len(more) >= 10
    basket = shapely.get_coordinates(shapely.get_point(hole.geometry, -1))[0]
    tees = shapely.get_coordinates(shapely.get_point(more.geometry.to_numpy(), 0))
    away = np.hypot(*(tees - basket).T)
    # Within a walk, off the green (12 m, the room asked of a tee), not straight past the basket.
    assert away.max() <= 45.0
    assert away.min() >= 12.0
    aside = np.abs(np.degrees(np.arctan2(*(tees - basket).T)))
    assert (aside[away < 18] > 20).all()
    sites = found.tee_sites.set_index("site_id").geometry
    assert sites.index.is_unique
    at = shapely.get_coordinates(sites.loc[more["tee_id"]].to_numpy())
    np.testing.assert_allclose(at, tees, atol=1e-6)
    legs = found.legs.set_index("leg_id")
    used = found.links[found.links["hole_id"].isin(more["hole_id"])]["leg_id"]
    assert (legs.loc[used, "clear_rate"] > 0.99).all()  # open ground
    following = found.facts["blue_next_holes"]
    assert found.facts["blue_next_holes_before_the_ring"]["median"] == 0.0
    assert following["share of holes with none"] < 1.0
