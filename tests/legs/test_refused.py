"""What took the land, on squares whose truth is planted."""

from dataclasses import replace

import numpy as np
import pytest

import leg_worlds
from lanewright.base.schema import conform
from lanewright.legs.refused import REASONS, raster_of, table_of
from lanewright.legs.sites import find_sites
from lanewright.settings.legs import SitesSettings


def world(size=100.0):
    """A square of 100 m: its west half wood, a pond in the south-east, a yard in the north-east."""
    bare = leg_worlds.bare(size)
    x, y = leg_worlds.centres(bare)
    wood = leg_worlds.planted(bare, x < 50, 0.5)
    pond = (x > 80) & (y < 20)
    return replace(wood, water=pond, keep_out=leg_worlds.box(80, 80, 100, 100))


def codes(reason):
    return REASONS.index(reason)


@pytest.mark.parametrize("size", [100.0, 97.5])
@pytest.mark.parametrize("spacing", [5.0, 7.0])
def test_refusals_and_sites_add_up_to_all_squares(size, spacing):
    scene = world(size)
    scene = replace(scene, land=leg_worlds.box(3, 3, 90, 95))
    sites = find_sites(scene, SitesSettings(spacing=spacing, boundary_setback=6))
    squares = int(np.ceil(size / spacing)) ** 2
    table = conform("refused_squares", table_of(sites.refused, scene.grid))
    for one, places in zip(sites.refused, (sites.tees, sites.baskets), strict=True):
        assert sum(one.counts.values()) + len(places) == squares
        mine = table[table["use"] == one.what]
        assert mine["squares"].sum() == squares
        # Every cell of the grid lies in one row's squares.
        assert mine["area_ha"].sum() * 1e4 == pytest.approx(size**2)
        assert mine.geometry.union_all().area == pytest.approx(size**2)
        known = mine[mine["reason"] != "outside the property"]
        assert known["share"].sum() == pytest.approx(1.0)
        assert mine.set_index("reason").loc["none", "squares"] == len(places)


def test_each_planted_reason_is_found_where_it_was_planted():
    scene = world()
    sites = find_sites(scene, SitesSettings(boundary_setback=10, keep_out_setback=0))
    tee = raster_of(sites.refused[0], scene.grid)
    assert tee.shape == scene.grid.shape
    x, y = leg_worlds.centres(scene)

    def at(x0, y0):
        return int(tee[np.unravel_index(np.hypot(x - x0, y - y0).argmin(), tee.shape)])

    assert at(2, 50) == codes("near the property line")
    assert at(32, 52) == codes("no room")
    assert at(72, 52) == codes("none")
    assert at(87, 13) == codes("near water")
    assert at(87, 87) == codes("near a keep-out")


def test_a_reason_alone_counts_what_its_own_removal_gives_back():
    """The twin is the search itself with that test switched off."""
    scene = world()
    settings = SitesSettings(boundary_setback=10, keep_out_setback=0)
    sites = find_sites(scene, settings)
    for reason, change in (
        ("no room", {"tee_room": -1.0}),
        ("near the property line", {"boundary_setback": 0.0}),
    ):
        freed = find_sites(scene, settings.model_copy(update=change))
        alone = sites.refused[0].alone[codes(reason)]
        assert alone == len(freed.tees) - len(sites.tees) > 0


def test_the_first_test_that_leaves_no_spot_names_the_square():
    bare = leg_worlds.bare(60.0, slope=(0.3, 0.0))
    wood = leg_worlds.planted(bare, np.ones(bare.grid.shape, bool), 0.5)
    sites = find_sites(wood, SitesSettings(boundary_setback=0))
    # Steep and without room: slope is tested first, and neither alone is to blame.
    assert sites.refused[0].counts["too steep"] == 144
    assert sites.refused[0].alone.sum() == 0
