"""Lanes and openings planted in column masks, with known widths, lengths and kinds."""

import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pyproj import CRS

from lanewright.base.grid import Grid
from lanewright.growth.columns import layer_mask
from lanewright.growth.lanes import Growth, Lanes, trace_lanes
from lanewright.settings.lanes import LanesSettings

CELL = 0.5
DEFAULTS = LanesSettings()
UTM = CRS.from_epsg(32616).to_wkt()
BRUSH = layer_mask(0, 6)
ROOF = layer_mask(6, 12)


class Wood:
    """A wood full of brush under a closed canopy of one height, to plant free space into."""

    def __init__(self, width: float, height: float, roof: np.uint64 = ROOF, cell: float = CELL):
        self.grid = Grid(UTM, 5e5, 4.4e6, cell, round(height / cell), round(width / cell))
        self.blocked = np.full(self.grid.shape, BRUSH | roof)
        self.unknown = np.zeros_like(self.blocked)
        self.canopy = np.full(self.grid.shape, 12.0, dtype=np.float32)
        self.roof = np.full(self.grid.shape, bool(roof))
        self.water = np.zeros(self.grid.shape, dtype=bool)
        self.inside = np.ones(self.grid.shape, dtype=bool)
        self.trunks = None
        rows, cols = np.indices(self.grid.shape)
        # Metres east and south of the north-west corner.
        self.east, self.south = (cols + 0.5) * cell, (rows + 0.5) * cell

    def clear(self, where: np.ndarray, leave: np.uint64 = ROOF) -> "Wood":
        self.blocked[where] = leave
        self.roof[where] = bool(leave & ROOF)
        self.canopy[where] = 12.0 if leave & ROOF else 0.0
        return self

    def strip(self, bearing: float, width: float, length: float = 1e9) -> np.ndarray:
        """Cells of a straight strip through the middle."""
        x = self.east - self.east.mean()
        y = self.south.mean() - self.south
        a = np.radians(bearing)
        along, aside = x * np.sin(a) + y * np.cos(a), x * np.cos(a) - y * np.sin(a)
        return (np.abs(aside) < width / 2) & (np.abs(along) < length / 2)

    def traced(self, **changes) -> Lanes:
        growth = Growth(self.blocked, self.unknown, self.canopy, self.roof, self.trunks)
        settings = LanesSettings(**changes)
        return trace_lanes(self.grid, growth, self.water, self.inside, settings)


def walls_hit(wood: Wood, found: Lanes) -> int:
    """Points of lanes on blocked or unsearched columns; to graze a cell's corner is none."""
    free = np.pad(found.free_width > 0, 1)
    half = wood.grid.cell / 2
    hit = 0
    for line in found.lanes.geometry:
        points = shapely.get_coordinates(shapely.segmentize(line, half))
        near = np.zeros(len(points), dtype=bool)
        for dx, dy in ((0, 0), (-half, -half), (-half, half), (half, -half), (half, half)):
            row, col = wood.grid.rowcol(points[:, 0] + dx, points[:, 1] + dy)
            near |= free[row + 1, col + 1]
        hit += int((~near).sum())
    return hit


def test_a_tunnel_that_no_plan_view_shows():
    wood = Wood(120, 60.5)
    wood.clear(wood.strip(90, 4.5, 100))
    assert np.ptp(wood.canopy) == 0  # from above it is all one roof
    found = wood.traced()
    assert len(found.lanes) == 1
    lane = found.lanes.iloc[0]
    assert lane["kind"] == "tunnel"
    assert lane["width_m"] == pytest.approx(4.5, abs=0.02)
    assert lane["pinch_width_m"] == pytest.approx(4.5, abs=CELL / 2)
    assert lane["bearing_deg"] == pytest.approx(90, abs=0.5)
    assert lane["roof_share"] == 1
    assert lane["roof_m"] == lane["roof_low_m"] == 6
    assert lane["unknown_share"] == 0
    # Both ends stop half a width before the wall.
    assert 100 - 2 * 4.5 <= lane["length_m"] <= 100
    assert lane["length_ft"] == pytest.approx(lane["length_m"] / 0.3048)
    assert lane["straightness"] > 0.995
    y = shapely.get_coordinates(lane.geometry)[:, 1]
    assert np.abs(y - (wood.grid.top - 30.25)).max() <= CELL
    assert found.openings.empty
    assert walls_hit(wood, found) == 0


def test_a_gap_in_the_canopy_full_of_brush_is_no_lane():
    wood = Wood(120, 60)
    gap = wood.strip(90, 6, 100)
    wood.clear(gap, leave=layer_mask(0.5, 2))
    assert wood.canopy[gap].max() == 0  # from above it looks like a fairway
    found = wood.traced()
    assert found.lanes.empty
    assert found.openings.empty
    assert (found.free_width == 0).all()
    # The same gap with ferns is one.
    assert wood.clear(gap, leave=layer_mask(0, 0.75)).traced().lanes["kind"].tolist() == ["lane"]


@pytest.mark.parametrize(("limbs", "lanes"), [(2.5, 0), (2.75, 1), (4.0, 1)])
def test_low_limbs(limbs, lanes):
    wood = Wood(120, 60)
    found = wood.clear(wood.strip(90, 6, 100), leave=layer_mask(limbs, 10) | ROOF).traced()
    assert len(found.lanes) == lanes
    if lanes:
        assert found.lanes["roof_m"][0] == limbs
        assert found.lanes["kind"][0] == "tunnel"


@pytest.mark.parametrize("bearing", [0, 17, 45, 120, 163])
@pytest.mark.parametrize("width", [4.0, 7.0])
def test_bearing_and_width_in_any_direction(bearing, width):
    wood = Wood(110, 110)
    found = wood.clear(wood.strip(bearing, width, 80), np.uint64(0)).traced()
    assert len(found.lanes) == 1
    lane = found.lanes.iloc[0]
    off = abs(lane["bearing_deg"] - bearing) % 180
    assert min(off, 180 - off) < 2
    # A cell is in or out, so an oblique corridor is uneven by up to a cell on each side.
    assert width - 2 * CELL <= lane["width_m"] <= width + CELL / 2
    assert 80 - 2 * width <= lane["length_m"] <= 80
    assert lane["kind"] == "lane"
    assert walls_hit(wood, found) == 0


def test_the_pinch_is_reported_with_its_place():
    wood = Wood(120, 40)
    wood.clear(wood.strip(90, 7.5, 100))
    narrow = (np.abs(wood.east - 40) < 2) & (np.abs(wood.south - 20) > 1.75)
    wood.blocked[narrow] = BRUSH
    lane = wood.traced().lanes.iloc[0]
    assert lane["width_m"] == pytest.approx(7.5, abs=0.02)
    assert lane["pinch_width_m"] == pytest.approx(3.5, abs=CELL)
    start = shapely.get_coordinates(lane.geometry)[0, 0] - wood.grid.left
    assert start + lane["pinch_at_m"] == pytest.approx(40, abs=3)


def test_lanes_cross_straight():
    wood = Wood(120, 120)
    found = wood.clear(wood.strip(20, 6, 100) | wood.strip(100, 6, 100)).traced()
    assert sorted(found.lanes["bearing_deg"].round()) == pytest.approx([20, 100], abs=2)
    assert (found.lanes["length_m"] > 85).all()


def _bend(wood: Wood, radius: float, turn: float, width: float, straight: float = 40):
    """Cells within half the width of a line that runs straight, turns right and runs straight."""
    angle = np.radians(np.linspace(0, turn, 50))
    x, y = radius * np.sin(angle), radius * (1 - np.cos(angle))
    x, y = (
        np.append(x, x[-1] + straight * np.cos(angle[-1])),
        np.append(y, y[-1] + straight * np.sin(angle[-1])),
    )
    line = shapely.LineString(np.column_stack([np.append(-straight, x) + 60, np.append(0, y) + 20]))
    return shapely.dwithin(line, shapely.points(wood.east, wood.south), width / 2)


@pytest.mark.parametrize(("turn", "lanes"), [(40, 1), (50, 1), (85, 2), (120, 3)])
def test_a_lane_bends_as_far_as_a_throw(turn, lanes):
    wood = Wood(170, 130)
    found = wood.clear(_bend(wood, 30, turn, 6)).traced(min_length=15)
    assert len(found.lanes) in ({1} if lanes == 1 else {2, 3})
    assert walls_hit(wood, found) == 0
    for line in found.lanes.geometry:
        step = np.diff(shapely.get_coordinates(line), axis=0)
        heading = np.degrees(np.unwrap(np.arctan2(step[:, 1], step[:, 0])))
        assert np.ptp(heading) < 60 + 10  # its own smoothing moves headings a little


def test_an_opening_is_a_polygon_of_the_right_size():
    wood = Wood(100, 100, roof=np.uint64(0))
    disc = np.hypot(wood.east - 50, wood.south - 50) < 15
    opening = wood.clear(disc, np.uint64(0)).traced().openings.iloc[0]
    assert opening["area_m2"] == pytest.approx(np.pi * 15**2, rel=0.03)
    # The middle is a corner of cells; from their centres it is 0.7 cells less to either wall.
    assert opening["width_m"] == pytest.approx(30, abs=3 * CELL)
    assert opening["roof_share"] == 0
    centre = opening.geometry.centroid
    assert (centre.x - 5e5, 4.4e6 - centre.y) == pytest.approx((50, 50), abs=CELL)
    assert opening.geometry.is_valid


def test_small_and_narrow_ground_is_no_opening():
    wood = Wood(120, 100)
    wood.clear(np.hypot(wood.east - 30, wood.south - 30) < 9)  # 254 m2
    wood.clear((np.abs(wood.south - 70) < 5.5) & (np.abs(wood.east - 60) < 50))  # 11 m wide
    assert wood.traced().openings.empty
    assert len(wood.traced(min_opening=200).openings) == 1


def test_edges_of_open_ground():
    wood = Wood(160, 120, roof=np.uint64(0))
    wood.clear((np.abs(wood.east - 80) < 70) & (np.abs(wood.south - 60) < 40), np.uint64(0))
    found = wood.traced()
    edges = found.lanes
    assert set(edges["kind"]) == {"edge"}
    assert edges["length_m"].max() > 110
    wall = shapely.box(5e5 + 10, 4.4e6 - 100, 5e5 + 150, 4.4e6 - 20).exterior
    for line in edges.geometry:
        middle = line.interpolate(0.5, normalized=True)
        assert middle.distance(wall) == pytest.approx(DEFAULTS.edge_offset, abs=1)
    assert len(found.openings) == 1
    # A lone bush in the middle has no edge to play along.
    wood.blocked[118:122, 158:162] = BRUSH
    assert len(wood.traced().lanes) == len(edges)


def test_lanes_between_scattered_bushes_are_open():
    wood = Wood(120, 120, roof=np.uint64(0))
    wood.clear(wood.blocked > 0, np.uint64(0))
    bushes = (wood.east % 15 < 1.5) & (wood.south % 15 < 1.5)
    wood.blocked[bushes] = BRUSH
    kinds = wood.traced(opening_width=18).lanes["kind"].value_counts()
    assert kinds.idxmax() == "open"
    # Where a circle as wide as an opening passes between them, it is one opening, not many lanes.
    found = wood.traced()
    assert "open" not in set(found.lanes["kind"])
    assert found.openings["area_m2"].sum() > 0.8 * 120 * 120


def test_unsearched_ground_is_no_lane():
    wood = Wood(120, 60)
    corridor = wood.strip(90, 6, 100)
    wood.clear(corridor)
    wood.unknown[corridor] = layer_mask(0, 6)
    found = wood.traced()
    assert found.lanes.empty
    assert np.isnan(found.free_width[corridor]).all()
    assert (found.kind[corridor] == 0).all()


def test_what_was_not_searched_in_a_lane_is_reported():
    wood = Wood(120, 60)
    corridor = wood.strip(90, 6, 100)
    wood.clear(corridor)
    scattered = np.random.default_rng(3).random(corridor.shape) < 0.15
    wood.unknown[corridor & scattered] = layer_mask(0, 6)
    found = wood.traced()
    lane = found.lanes.iloc[0]
    assert lane["length_m"] > 85
    assert lane["unknown_share"] == pytest.approx(0.15, abs=0.04)
    # The raster of widths never calls them clear.
    assert np.isnan(found.free_width[corridor & scattered]).all()


def test_a_lane_runs_on_over_a_short_unsearched_stretch():
    wood = Wood(120, 60)
    corridor = wood.strip(90, 6, 100)
    wood.clear(corridor)
    wood.unknown[corridor & (np.abs(wood.east - 50) < 1.5)] = layer_mask(0, 6)
    assert wood.traced().lanes["length_m"].tolist() == pytest.approx([95], abs=8)
    wood.unknown[corridor & (np.abs(wood.east - 50) < 4)] = layer_mask(0, 6)
    assert len(wood.traced(min_length=25).lanes) == 2
    wood.unknown[corridor & (wood.east % 3 < 2)] = layer_mask(0, 6)
    assert wood.traced().lanes.empty  # more than half would be guessed
    assert wood.traced(most_unknown=0.8).lanes["unknown_share"][0] > 0.5


def test_a_river_is_no_lane():
    wood = Wood(120, 60)
    corridor = wood.strip(90, 6, 100)
    wood.clear(corridor)
    wood.water[corridor & (wood.east < 55)] = True
    assert wood.traced().lanes.empty
    assert wood.traced(most_water=0.9).lanes["water_share"][0] > 0.3


def test_a_long_squeeze_ends_a_lane_and_a_short_one_is_its_pinch():
    def found(length: float):
        wood = Wood(120, 60.5)
        wood.clear(wood.strip(90, 6.5, 100))
        squeeze = (np.abs(wood.east - 60) < length / 2) & (np.abs(wood.south - 30.25) > 0.75)
        wood.blocked[squeeze] = BRUSH
        return wood.traced(min_length=25).lanes

    assert len(found(4)) == 1
    assert found(4)["pinch_width_m"][0] == pytest.approx(1.5, abs=CELL)
    assert found(4)["width_m"][0] == pytest.approx(6.5, abs=0.05)
    assert len(found(15)) == 2
    assert (found(15)["pinch_width_m"] > 2).all()


@pytest.mark.parametrize("share", [0.01, 0.03])
def test_scattered_hits_leave_the_lane(share):
    wood = Wood(120, 60)
    corridor = wood.strip(90, 6, 100)
    wood.clear(corridor)
    inner = wood.strip(90, 4, 96)
    hits = np.random.default_rng(4).random(corridor.shape) < share
    # Beside the brush a hit is part of it; in the middle it is a speck.
    wood.blocked[inner & hits] |= layer_mask(1.5, 2.5)
    found = wood.traced()
    assert len(found.lanes) == 1
    assert found.lanes["length_m"][0] > 85
    assert found.lanes["width_m"][0] > 4
    assert (found.free_width[inner & hits] == 0).all()


def test_known_trunks_part_a_hall_into_lanes():
    wood = Wood(120, 80)
    wood.clear(wood.strip(90, 60, 100))
    hall = wood.traced()
    assert len(hall.openings) == 1
    assert hall.openings["roof_share"][0] == 1
    assert (hall.kind[60:100, 60:180] == 4).all()
    wood.trunks = (wood.south % 8 < 0.5) & (wood.east % 1.5 < 0.5)
    rows = wood.traced()
    assert rows.openings.empty
    assert (rows.lanes["kind"] == "tunnel").all()
    assert rows.lanes["width_m"].median() == pytest.approx(7.5, abs=CELL)


def test_lanes_end_at_the_border_of_the_property():
    wood = Wood(160, 60)
    wood.clear(wood.strip(90, 6, 150))
    wood.inside = wood.east < 80
    found = wood.traced()
    assert len(found.lanes) == 1
    assert found.lanes.total_bounds[2] <= 5e5 + 80 + CELL
    assert found.lanes["length_m"][0] == pytest.approx(72, abs=4)
    # Widths look beyond it.
    assert found.free_width[60, 200] == pytest.approx(6, abs=CELL)


def test_water_is_thrown_over():
    wood = Wood(120, 60)
    wood.clear(wood.strip(90, 6, 100), np.uint64(0))
    wood.water = wood.strip(90, 6, 100) & (np.abs(wood.east - 60) < 10)
    wood.unknown[wood.water] = ~np.uint64(0)
    lane = wood.traced().lanes.iloc[0]
    assert lane["length_m"] > 85
    assert lane["water_share"] == pytest.approx(20 / lane["length_m"], abs=0.03)
    assert lane["unknown_share"] == pytest.approx(lane["water_share"], abs=0.03)


def test_nothing_and_everything_free():
    wood = Wood(60, 60)
    found = wood.traced()
    assert found.lanes.empty
    assert found.openings.empty
    assert list(found.lanes.columns[:3]) == ["lane_id", "kind", "length_m"]
    assert found.lanes.crs == UTM
    found = wood.clear(wood.blocked > 0, np.uint64(0)).traced()
    assert found.openings["area_m2"].sum() == pytest.approx(3600, rel=0.05)
    one = Wood(0.5, 0.5)
    assert one.clear(one.blocked > 0).traced().lanes.empty


def test_nothing_passes_where_two_walls_meet_at_a_corner():
    # Constructed: an aisle 3 m wide goes on beside itself, past two walls that touch at a corner.
    wood = Wood(40, 60, cell=1.0)
    wood.clear((wood.east > 18) & (wood.east < 21) & (wood.south < 30))
    wood.clear((wood.east > 21) & (wood.east < 24) & (wood.south > 30))
    lanes = wood.traced(min_length=15).lanes
    assert len(lanes) == 2
    assert (lanes["length_m"] < 30).all()


def test_rasters_must_lie_on_the_grid():
    wood = Wood(20, 20)
    wood.water = wood.water[:-1]
    with pytest.raises(ValueError, match="water has shape"):
        wood.traced()


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from([0.5, 1.0]), st.floats(0.3, 0.7))
@example(seed=465740, cell=1.0, share=0.3125)  # two walls that met at a corner
@example(seed=99, cell=1.0, share=0.45)
def test_lanes_of_any_wood_keep_off_walls(seed, cell, share):
    from scipy.ndimage import gaussian_filter

    wood = Wood(90, 90, cell=cell)
    noise = gaussian_filter(np.random.default_rng(seed).normal(size=wood.grid.shape), 3 / cell)
    wood.clear(noise < np.quantile(noise, share))
    found = wood.traced(min_length=8)
    assert walls_hit(wood, found) == 0
    lanes = found.lanes
    assert lanes["lane_id"].tolist() == list(range(1, len(lanes) + 1))
    assert (lanes["length_m"] >= 8).all()
    assert (lanes["length_m"].diff().dropna() <= 0).all()
    assert (lanes["pinch_width_m"] <= lanes["width_m"]).all()
    assert (lanes["pinch_width_m"] > 0).all()
    assert (lanes["width_m"] >= DEFAULTS.min_width).all()
    assert lanes["roof_share"].between(0, 1).all()
    assert lanes["bearing_deg"].between(0, 180, inclusive="left").all()
    assert lanes.geometry.is_simple.all()
    assert found.openings.geometry.is_valid.all()
    again = wood.traced(min_length=8)
    assert again.lanes.equals(lanes)
