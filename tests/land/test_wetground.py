"""Wet ground: by absolute evidence, and graded by how sure it is."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import ndimage

from lanewright.base.grid import Grid
from lanewright.kernels.relief import gradient
from lanewright.land.drainage import drain, fill
from lanewright.land.terrain import shape_terrain
from lanewright.land.water import Tally
from lanewright.land.wetground import CERTAINTY, EVIDENCE, depth_to_water, find_wet_ground
from lanewright.settings.terrain import TerrainSettings


def grid_of(surface, cell=1.0):
    return Grid("EPSG:32631", 500_000.0, 4_000_000.0, cell, *surface.shape)


def shaped(surface, tally=None, **chosen):
    return shape_terrain(grid_of(surface), surface, tally, [], TerrainSettings(**chosen))


def marked(surface, water, level):
    """Tally of a survey in which every cell of `water` holds a return of class 9."""
    returns = np.full(surface.shape, 8, np.uint16)
    wet = np.where(water, np.uint16(8), np.uint16(0))
    height = np.where(water, level, np.nan).astype(np.float32)
    return Tally(returns, wet, height, np.ones(surface.shape, bool))


# --- depth to water ------------------------------------------------------------------------------


def plain_depth(surface, drains, cell):
    """Cost of the cheapest way to drainage: mean slope of two neighbours times their distance."""
    slope = np.hypot(*gradient(surface, cell))
    rows, cols = surface.shape
    depth = np.where(drains & np.isfinite(surface), 0.0, np.inf)
    for _ in range(rows * cols):
        before = depth.copy()
        for row, col in np.argwhere(np.isfinite(surface)):
            for r in range(max(row - 1, 0), min(row + 2, rows)):
                for c in range(max(col - 1, 0), min(col + 2, cols)):
                    if np.isfinite(surface[r, c]):
                        step = cell * np.hypot(r - row, c - col)
                        way = depth[r, c] + step * (slope[r, c] + slope[row, col]) / 2
                        depth[row, col] = min(depth[row, col], way)
        if np.array_equal(before, depth):
            break
    return depth


@settings(max_examples=40, deadline=None)
@given(
    arrays(
        np.float32,
        st.tuples(st.integers(2, 7), st.integers(2, 7)),
        elements=st.one_of(st.just(np.nan), st.floats(0, 3, width=16)),
    ),
    st.integers(0, 2**32 - 1),
    st.sampled_from([0.5, 1.0, 2.0]),
)
def test_depth_to_water_by_plain_relaxation(surface, seed, cell):
    drains = np.random.default_rng(seed).random(surface.shape) < 0.1
    plain = plain_depth(surface, drains, cell)
    got = depth_to_water(surface, drains, cell, most=1e6)
    np.testing.assert_allclose(got, np.where(np.isinf(plain), np.nan, plain), rtol=1e-5, atol=1e-6)


def test_depth_to_water_is_the_height_above_it_up_an_even_slope():
    """Murphy, Ogilvie and Arp 2009: it approximates the rise from the water along the way."""
    _, col = np.mgrid[:60, :80]
    surface = (100 + 0.05 * col).astype(np.float32)
    shore = col == 0
    depth = depth_to_water(surface, shore, 1.0, 2.0)
    known = np.isfinite(depth)
    np.testing.assert_allclose(depth[known], (surface - 100)[known], atol=1e-3)
    assert known.sum() == pytest.approx(60 * 41, abs=60)  # 2 m up, 40 m out


def test_depth_to_water_goes_round_a_steep_bank():
    """Behind a bank 3 m high with a gap at one end, the ground is as low as the water."""
    surface = np.zeros((41, 41), np.float32)
    surface[:35, 20] = 3.0
    shore = np.zeros(surface.shape, bool)
    shore[:, 0] = True
    depth = depth_to_water(surface, shore, 1.0, 1.0)
    assert depth[10, 30] == pytest.approx(0.0, abs=1e-6)


# --- what makes ground wet -----------------------------------------------------------------------


def rolling(size=400, seed=4):
    """A hill of 60 m with shallow rills and 2 cm of noise, nothing to hold water anywhere."""
    row, col = np.mgrid[:size, :size]
    rng = np.random.default_rng(seed)
    away = np.hypot(row - size / 2, col - size / 2)
    surface = 160 - 0.1 * away + 0.4 * np.cos(np.arctan2(row - size / 2, col - size / 2) * 12)
    return (surface + rng.normal(0, 0.02, surface.shape)).astype(np.float32)


def test_a_dry_hill_has_no_wet_ground():
    """16 ha: ranked within the property, 1.6 ha of it would be."""
    out = shaped(rolling())
    assert (out.wet | out.maybe_wet).mean() < 0.002
    assert not out.wet.any()


def test_level_dry_ground_has_no_wet_ground():
    """A filled yard: level, so of a high wetness index, which alone makes nothing wet."""
    rng = np.random.default_rng(1)
    surface = rolling()
    surface[150:250, 150:250] = 161 + rng.normal(0, 0.02, (100, 100))
    out = shaped(surface)
    assert np.nanmax(out.wetness[150:250, 150:250]) > 9
    assert not (out.wet | out.maybe_wet)[150:250, 150:250].any()


def creek(bank=0.6, width=4):
    """A creek of class 9 with banks of that rise over run, in gently sloped land."""
    row, col = np.mgrid[:300, :200]
    away = np.abs(col - 100) - width / 2
    bed = 100 - 0.005 * row
    surface = bed + np.where(away <= 0, -0.1, np.minimum(bank * away, 1.8) + 0.03 * away)
    water = away <= 0
    level = bed[water].mean()  # falls by 1.5 m
    surface = surface.astype(np.float32)
    tally = marked(surface, water, level)
    tally.water_level[water] = bed[water]
    return surface, tally, away


def test_margins_of_a_creek_are_likely_wet_and_the_land_above_is_not():
    """Banks of 0.6: a metre over the water 1.7 m out, a quarter metre 0.4 m out."""
    surface, tally, away = creek()
    out = shaped(surface, tally)
    margin = (away > 0) & (away <= 1)
    assert out.water[away <= 0].mean() > 0.95
    assert (out.wet | out.maybe_wet)[margin].mean() > 0.95
    assert not (out.wet | out.maybe_wet)[away > 5].any()
    assert set(out.wet_ground.evidence) <= {"near water", "near drainage"}


def test_meadow_level_with_a_creek_is_likely_wet():
    """A bank of 0.02 to 0.05: a quarter metre over the water 5 m out, a metre 20 m out."""
    surface, tally, away = creek(bank=0.02)
    out = shaped(surface, tally)
    assert out.wet[(away > 0) & (away < 4)].mean() > 0.95
    assert (out.wet | out.maybe_wet)[(away > 0) & (away < 15)].mean() > 0.95
    assert out.maybe_wet[(away > 8) & (away < 15)].mean() > 0.6
    assert not (out.wet | out.maybe_wet)[away > 30].any()


def valley(area_ha):
    """V of 5 % sides and 1 % fall that gathers about `area_ha` at its lower end."""
    rows = int(np.sqrt(area_ha * 1e4 / 2) * 2)
    row, col = np.mgrid[:rows, : rows // 2]
    return (50 + np.abs(col - rows // 4) * 0.05 - row * 0.01).astype(np.float32)


def test_small_drainage_lines_are_possible_and_streams_likely():
    """Stream from 8 ha (Ågren et al. 2014: 8-16 ha on coarse soil)."""
    gully = shaped(valley(5.0))
    assert len(gully.drainage)
    assert gully.maybe_wet.any()
    middle = gully.wet.shape[1] // 2
    assert not (gully.wet | gully.maybe_wet)[:, : middle - 7].any()
    stream = shaped(valley(20.0))
    lower = stream.wet.shape[0] * 3 // 4
    middle = stream.wet.shape[1] // 2
    assert stream.wet[lower:-2, middle - 3 : middle + 4].mean() > 0.9
    assert (stream.wet | stream.maybe_wet)[lower:-2, middle - 15 : middle + 16].mean() > 0.9


def evidence_of(surface, water=None, index=None, **chosen):
    grid = grid_of(surface)
    water = np.zeros(grid.shape, bool) if water is None else water
    index = np.zeros(grid.shape, np.float32) if index is None else index
    chosen = TerrainSettings(**chosen)
    flow = fill(surface, chosen.sink_depth)
    drainage = drain(grid, flow, water, chosen.drainage_start_ha)
    return find_wet_ground(grid, flow, drainage, water, index, chosen)


def test_one_line_of_evidence_is_possible_and_two_are_likely():
    row, col = np.mgrid[:100, :100]
    surface = (100 + 0.02 * np.abs(col - 5) + 0 * row).astype(np.float32)
    water = col <= 5
    alone = evidence_of(surface, water)
    assert alone.certainty[50, 40] == 1  # 0.7 m over the water
    high = evidence_of(surface, water, np.full(surface.shape, 12, np.float32))
    assert high.certainty[50, 40] == 2
    assert high.certainty[50, 80] == alone.certainty[50, 80] == 0  # 1.5 m over it: the index alone
    hollow = surface.copy()
    hollow[40:60, 30:50] = surface[0, 30] - 0.2  # near the water
    hollow[40:60, 75:95] = surface[0, 75] - 0.2  # far from it
    both = evidence_of(hollow, water)
    assert both.certainty[50, 40] == 2
    assert both.certainty[50, 85] == 1
    named = dict(zip(both.patches.certainty, both.patches.evidence, strict=True))
    assert named["likely"] in EVIDENCE
    ponds = both.patches[both.patches.evidence == "ponding"]
    assert set(ponds.certainty) == set(CERTAINTY.values())
    assert ponds.ponding_m.min() > 0.15


def test_depths_of_a_patch_are_those_of_its_cells():
    row, col = np.mgrid[:100, :100]
    surface = (100 + 0.05 * np.abs(col - 5) + 0 * row).astype(np.float32)
    found = evidence_of(surface, col <= 5)
    possible = found.patches[found.patches.certainty == "possible"].iloc[0]
    # From 0.25 m to 1 m over the water, 5 to 20 m out.
    assert possible.depth_to_water_m == pytest.approx(0.63, abs=0.06)
    assert possible.area_m2 == pytest.approx(15 * 100, rel=0.1)
    assert np.isnan(possible.ponding_m)
    assert list(found.patches.wet_id) == list(range(1, len(found.patches) + 1))


def test_specks_are_left_out():
    surface = rolling(200)
    water = np.zeros(surface.shape, bool)
    water[100, 100:103] = True
    sunk = np.where(ndimage.binary_dilation(water, iterations=1), surface.min(), surface)
    assert not evidence_of(sunk.astype(np.float32), water, pond_area=1000.0).certainty.any()


def test_settings_out_of_order_are_refused():
    with pytest.raises(ValueError, match="very_wet_depth"):
        TerrainSettings(wet_depth=0.2)
    with pytest.raises(ValueError, match="stream_ha"):
        TerrainSettings(drainage_start_ha=9.0)
