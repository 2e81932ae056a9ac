"""What counts as free at throwing height: against plain twins and as invariants."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import ndimage as ndi

from lanewright.growth.columns import layer_mask
from lanewright.growth.freewidth import (
    EDGE,
    LANE,
    NONE,
    OPEN,
    TUNNEL,
    closed_gaps,
    count_around,
    free_room,
    kind_raster,
    swept,
    throwing_height,
    width_between,
)
from lanewright.settings.lanes import LanesSettings

DEFAULTS = LanesSettings()

# Layers near the decision, so that generated columns fall on both sides of it; 63 for the sign.
_layers = st.sets(st.sampled_from([0, 1, 2, 3, 4, 6, 9, 10, 11, 12, 13, 14, 20, 63]))
_masks = _layers.map(lambda layers: np.uint64(sum(1 << k for k in layers)))


def _plain(blocked: int, unknown: int, setting: LanesSettings) -> tuple[bool, bool, float]:
    """Slow twin of `throwing_height` for one column: walk the layers."""
    room = [k for k in range(64) if setting.low <= k / 4 < setting.high]
    closed = sum(blocked >> k & 1 for k in room) > setting.max_blocked * len(room)
    clear = not closed and sum(unknown >> k & 1 for k in room) <= setting.max_unknown * len(room)
    ceiling = setting.high - setting.max_blocked * (setting.high - setting.low)
    above = [k / 4 for k in range(64) if k / 4 >= ceiling and blocked >> k & 1]
    return clear, closed, above[0] if above and not closed else np.nan


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(_masks, _masks), min_size=1, max_size=8), st.sampled_from([2.5, 3.5, 16]))
def test_columns_as_the_plain_twin_sees_them(columns, high):
    setting = LanesSettings(high=high)
    blocked = np.array([[b for b, _ in columns]], dtype=np.uint64)
    unknown = np.array([[u for _, u in columns]], dtype=np.uint64)
    got = throwing_height(blocked, unknown, setting)
    expected = [_plain(int(b), int(u), setting) for b, u in columns]
    assert got.clear[0].tolist() == [e[0] for e in expected]
    assert got.closed[0].tolist() == [e[1] for e in expected]
    np.testing.assert_array_equal(got.roof_height[0], np.float32([e[2] for e in expected]))
    assert not (got.clear & got.closed).any()


@pytest.mark.parametrize(
    ("low", "high", "free"),
    [
        (0.0, 1.0, True),  # ferns to the hip
        (0.5, 2.0, False),  # brush
        (0.0, 1.5, False),
        (4.0, 12.0, True),  # a low roof
        (2.75, 12.0, True),
        (2.5, 12.0, False),  # no room under the limbs
        (0.0, 16.0, False),
    ],
)
def test_vegetation_that_stops_a_throw(low, high, free):
    blocked = np.array([[layer_mask(low, high)]])
    columns = throwing_height(blocked, np.zeros_like(blocked), DEFAULTS)
    assert columns.clear[0, 0] == free
    assert columns.closed[0, 0] != free


@given(arrays(bool, st.tuples(st.integers(1, 9), st.integers(1, 9))), st.integers(1, 3))
def test_count_around_as_scipy_counts(mask, reach):
    square = np.ones((2 * reach + 1,) * 2, dtype=int)
    expected = ndi.convolve(mask.astype(int), square, mode="constant")
    np.testing.assert_array_equal(count_around(mask, reach), expected)


@settings(deadline=None)
@given(arrays(bool, st.tuples(st.integers(1, 9), st.integers(1, 9))), st.sampled_from([0.5, 1.0]))
def test_width_against_every_wall_in_turn(wall, cell):
    row, col = np.nonzero(np.pad(wall, 1, constant_values=True))
    expected = np.zeros(wall.shape)
    for r, c in np.argwhere(~wall):
        expected[r, c] = (2 * np.hypot(row - r - 1, col - c - 1).min() - 1) * cell
    np.testing.assert_allclose(width_between(wall, cell), expected, rtol=1e-6)


_planes = arrays(np.uint64, (9, 9), elements=_masks)


@settings(max_examples=25, deadline=None)
@given(_planes, _planes, _planes, arrays(bool, (9, 9)))
def test_more_vegetation_never_widens(blocked, more, unknown, trunks):
    nothing = np.zeros(blocked.shape, dtype=bool)

    def width(blocked, unknown, trunks):
        columns = throwing_height(blocked, unknown, DEFAULTS)
        return free_room(columns, nothing, trunks, 0.5, DEFAULTS).width

    before = width(blocked, unknown, None)
    assert (width(blocked | more, unknown, None) <= before).all()
    assert (width(blocked, unknown | more, None) <= before).all()
    assert (width(blocked, unknown, trunks) <= before).all()


def _room(blocked, unknown=None, trunks=None, water=None, cell=0.5, **changes):
    setting = LanesSettings(**changes)
    unknown = np.zeros_like(blocked) if unknown is None else unknown
    water = np.zeros(blocked.shape, dtype=bool) if water is None else water
    return free_room(throwing_height(blocked, unknown, setting), water, trunks, cell, setting)


def test_scattered_hits_are_no_wall_but_trunks_are():
    blocked = np.zeros((61, 61), dtype=np.uint64)
    blocked[30, 30] = layer_mask(1, 4)
    trunks = blocked > 0
    alone = _room(blocked)
    assert not alone.wall.any()
    assert alone.speck.sum() == 1
    known = _room(blocked, trunks=trunks)
    assert known.wall.sum() == 1
    assert known.width[30, 32] == pytest.approx(1.5)
    # Two by two cells of half a metre are a bush of one square metre, and a wall.
    blocked[30:32, 30:32] = layer_mask(1, 4)
    assert _room(blocked).wall.sum() == 4
    # On a coarse grid one cell is that large.
    blocked[:] = 0
    blocked[30, 30] = layer_mask(1, 4)
    assert _room(blocked, cell=1.0).wall.sum() == 1


def test_unsearched_is_never_called_clear():
    blocked = np.zeros((41, 41), dtype=np.uint64)
    unknown = np.full_like(blocked, layer_mask(0, 6))
    assert _room(blocked, unknown).unsearched.all()
    assert _room(blocked, unknown).width.max() == 0


def test_small_gaps_in_the_search_are_bridged_and_reported():
    blocked = np.zeros((41, 41), dtype=np.uint64)
    unknown = np.zeros_like(blocked)
    unknown[20, 20] = layer_mask(0, 6)
    unknown[5:15, 5:15] = layer_mask(0, 6)  # 5 m
    unknown[30:] = layer_mask(0, 6)  # to the edge of the grid
    room = _room(blocked, unknown)
    assert room.bridged[20, 20]
    assert room.unsearched[10, 10]
    assert room.unsearched[31:].all()
    assert _room(blocked, unknown, bridge=6).bridged[10, 10]
    assert not _room(blocked, unknown, bridge=0).bridged.any()
    # So much is told of the gap's rim: one column beside what was searched.
    assert room.bridged[5, 10]
    assert not room.bridged[6, 10]
    # Where vegetation was met there is nothing to bridge.
    blocked[20, 20] = layer_mask(0, 3)
    assert not _room(blocked, unknown).bridged[20, 20]
    # Lidar seldom comes back from water, and nothing grows there.
    assert not _room(blocked, unknown, water=unknown > 0).wall.any()


def test_a_column_hardly_searched_is_bridged_near_clear_ones():
    """A tunnel of which only the middle was searched; metres of columns with one searched layer."""
    blocked = np.full((41, 41), layer_mask(0, 6))
    blocked[10:31] = 0
    unknown = np.where(blocked, blocked, layer_mask(0.75, 6))
    unknown[19:22] = 0
    room = _room(blocked, unknown)
    assert room.bridged[15:26].sum() == (11 - 3) * 41  # two metres to either side
    assert room.width[20, 20] == 5.5
    assert not _room(blocked, unknown, bridge=0).bridged.any()
    unknown[10:19] = layer_mask(0, 6)  # nothing searched at all
    assert _room(blocked, unknown).bridged[10:19].sum() == 41


def test_kinds_by_width_and_roof():
    blocked = np.full((240, 200), layer_mask(0, 6))
    blocked[20:36] = 0  # a lane 8 m wide
    blocked[50:66] = layer_mask(7, 10)  # the same, roofed
    blocked[80:83] = 0  # 1.5 m: nobody throws through
    blocked[100:200] = 0  # 50 m: open, edges along it
    columns = throwing_height(blocked, np.zeros_like(blocked), DEFAULTS)
    room = free_room(columns, np.zeros(blocked.shape, bool), None, 0.5, DEFAULTS)
    roofed = np.isfinite(columns.roof_height) & ~room.wall
    kind = kind_raster(room, swept(room, DEFAULTS.open_width, 0.5), roofed, 0.5, DEFAULTS)
    assert set(kind[22:34, 100]) == {LANE}
    assert set(kind[52:64, 100]) == {TUNNEL}
    assert set(kind[80:83, 100]) == {NONE}
    assert set(kind[101:110, 100]) == {EDGE}
    assert set(kind[115:185, 100]) == {OPEN}
    assert set(kind[room.wall]) == {NONE}


@settings(deadline=None, max_examples=50)
@given(arrays(bool, (14, 14)), st.sampled_from([2.0, 3.0, 4.0, 5.0]))
def test_gaps_close_as_scipy_closes_with_a_disc(mask, width):
    reach = int(width / 2)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    disc = np.hypot(y, x) <= width / 2
    closed = ndi.binary_closing(np.pad(mask, 6), disc)[6:-6, 6:-6]
    np.testing.assert_array_equal(closed_gaps(mask, width), closed)
