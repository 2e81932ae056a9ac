"""The band of a clear rate: worlds that the survey allows, drawn and thrown in."""

from dataclasses import replace

import numpy as np
import pytest

import leg_worlds
from lanewright.flight.flight import fly_throws
from lanewright.growth.stems import no_signs
from lanewright.legs import throwing, worlds
from lanewright.legs.contacts import contacts_of
from lanewright.settings.flight import FlightSettings
from lanewright.settings.legs import ThrowSettings
from lanewright.settings.levels import levels_named


@pytest.fixture(scope="module")
def level():
    return fly_throws(levels_named(("blue",)), FlightSettings()).levels[0]


def banded(scene, level, **settings):
    """Clear rate, low and high of a throw of 60 m eastward through the middle."""
    contacts = contacts_of(scene, ThrowSettings(**settings), "on")
    lines = throwing.Lines(*(np.array([n]) for n in (200, 60, 200, 180, 0)))
    seeds, paths = np.array([5], np.uint64), throwing.paths_of(level)
    thrown = throwing.throw(lines, level, paths, contacts, seeds, 256, 0.5)
    said = thrown.clear, thrown.error
    other = worlds.other_worlds(contacts, 0.5)
    low, high = worlds.band(lines, level, paths, other, seeds, said, 256)
    return thrown.clear[0], low[0], high[0]


def lane(scene, width):
    _, y = leg_worlds.centres(scene)
    return np.abs(y - 100.0) > width / 2


def test_draws_cover_each_quantity_evenly():
    drawn = worlds.draws()
    assert [world.seed for world in drawn] == list(range(worlds.WORLDS))
    for name in ("wall", "unseen"):
        values = [getattr(world, name) for world in drawn]
        assert np.unique(values, return_counts=True)[1].tolist() == [worlds.WORLDS // 3] * 3
    # A standard normal cut into as many equal parts has a spread of nearly one.
    assert np.std([world.density for world in drawn]) == pytest.approx(1.0, abs=0.1)
    assert np.mean([world.thin for world in drawn]) == pytest.approx(0.5)


def test_open_and_seen_ground_leaves_nothing_to_doubt(level):
    clear, low, high = banded(leg_worlds.bare(), level)
    assert (clear, high) == (1.0, 1.0)
    assert low > 0.98


def test_walls_and_thin_growth_widen_the_band(level):
    scene = leg_worlds.bare()
    clear, low, high = banded(leg_worlds.planted(scene, lane(scene, 5.0), 0.5), level)
    assert 0.02 < clear - low < 0.25
    assert 0.02 < high - clear < 0.25
    clear, low, high = banded(leg_worlds.planted(scene, lane(scene, 0.0), 0.001), level)
    assert low < clear - 0.05
    assert high > clear + 0.02


def test_what_was_not_searched_may_be_open_or_as_the_rest(level):
    scene = leg_worlds.bare()
    x, _ = leg_worlds.centres(scene)
    wood = leg_worlds.planted(scene, lane(scene, 0.0), 0.001)
    hidden = replace(wood, searched=np.where(x > 60, np.uint64(0), wood.searched))
    seen, unseen = (banded(land, level, thin_stems_per_ha=0.0) for land in (wood, hidden))
    assert unseen[2] > seen[2] + 0.05


def test_unseen_water_is_open(level):
    """Over mapped water and half a metre of its shore nothing stands, whether pulses came back."""
    scene = leg_worlds.bare()
    x, _ = leg_worlds.centres(scene)
    pond = (x > 45) & (x < 75)
    searched = np.where((x > 44.6) & (x < 75.4), np.uint64(0), scene.searched)
    wood = leg_worlds.planted(scene, x < 20, 0.05)  # elsewhere, so that unseen space is feared
    _, feared, _ = banded(replace(wood, searched=searched), level)
    _, low, _ = banded(replace(wood, searched=searched, water=pond), level)
    assert feared < 0.9
    assert low > 0.98


def test_a_stem_that_may_stand_is_drawn(level):
    scene = leg_worlds.bare()

    def signs(odds):
        return no_signs(scene.grid.shape)._replace(odds=odds)

    odds = np.full(scene.grid.shape, -9.0, np.float32)
    odds[196:204, 120] = -1.0
    canopy = np.full(scene.grid.shape, 12.0, np.float32)
    trees = scene.trees.reindex([0]).assign(dbh_cm=30.0, crown_base_m=8.0)
    trees = trees.set_geometry([leg_worlds.box(10, 10, 11, 11).centroid], crs=leg_worlds.CRS)
    stand = replace(scene, stem_signs=signs(odds), canopy_height=canopy, trees=trees)
    sure, may = (
        banded(replace(stand, stem_signs=signs(np.where(odds > -2, value, odds))), level,
               thin_stems_per_ha=0.0)
        for value in (-9.0, 4.0)
    )  # fmt: skip
    assert sure[2] - sure[1] < 0.05
    assert may[2] - may[1] > 0.1
