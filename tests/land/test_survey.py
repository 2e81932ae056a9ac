"""Planning and ingest: which tiles are read, one grid, footprints, heights, dates."""

import struct
from pathlib import Path

import geopandas as gpd
import laspy
import numpy as np
import pytest
from pyproj import CRS
from shapely import LineString, box

from flat_tile import BOTTOM, LEFT, tile
from lanewright.base.errors import InputError
from lanewright.land import plan as plan_module
from lanewright.land.plan import plan
from lanewright.settings.config import Config
from lanewright.sources.files import with_names
from lanewright.store import Store
from surveyed import survey_of as read


def config(tmp_path: Path, **more) -> Config:
    return Config.model_validate(
        {"name": "x", "points": [str(tmp_path / "*.laz")], "out": str(tmp_path / "out")} | more
    )


def land(tmp_path: Path, *bounds: float) -> Path:
    gpd.GeoDataFrame(geometry=[box(*bounds)], crs=26916).to_file(tmp_path / "land.gpkg")
    return tmp_path / "land.gpkg"


def survey_of(tmp_path: Path, **more):
    settings = config(tmp_path, **more)
    return plan(settings), read(settings, Store(tmp_path / "store", threads=2))


def test_tiles_that_do_not_touch_are_not_read(tmp_path):
    tile(tmp_path / "a.laz", LEFT, BOTTOM)
    far = tile(tmp_path / "b.laz", LEFT + 500, BOTTOM, seed=1)
    # Its points could not be decoded; nobody is to try.
    raw = bytearray(far.read_bytes())
    raw[-6000:-3000] = bytes(3000)
    far.write_bytes(raw)
    found, survey = survey_of(
        tmp_path, property=land(tmp_path, LEFT + 5, BOTTOM + 5, LEFT + 45, BOTTOM + 45)
    )
    assert [t.path.name for t in found.tiles] == ["a.laz"]
    assert [p.name for p in found.skipped] == ["b.laz"]
    assert survey.facts["points_read"] == 20_000


def test_grid_covers_property_and_context_on_whole_metres(tmp_path):
    tile(tmp_path / "a.laz", LEFT, BOTTOM, 200.0)
    found = plan(
        config(
            tmp_path,
            property=land(tmp_path, LEFT + 60.3, BOTTOM + 60.7, LEFT + 99.2, BOTTOM + 120.1),
            ingest={"context": 20.0},
        )
    )
    assert found.grid.bounds == (LEFT + 40, BOTTOM + 40, LEFT + 120, BOTTOM + 141)
    assert found.grid.cell == 0.5


def test_sparse_surveys_get_wider_cells(tmp_path):
    tile(tmp_path / "a.laz", LEFT, BOTTOM, density=2.0)
    found = plan(config(tmp_path))
    assert found.grid.cell == 1.0
    assert not any("little can be said" in w for w in found.warnings)
    tile(tmp_path / "a.laz", LEFT, BOTTOM, density=1.0)
    assert any("little can be said" in w for w in plan(config(tmp_path)).warnings)


def test_context_points_are_read_and_the_rest_skipped(tmp_path):
    tile(tmp_path / "a.laz", LEFT, BOTTOM, 100.0)
    _, survey = survey_of(
        tmp_path,
        property=land(tmp_path, LEFT + 40, BOTTOM + 40, LEFT + 60, BOTTOM + 60),
        ingest={"context": 10.0},
    )
    got = survey.points.read(survey.grid.bounds)
    assert len(got) == survey.facts["points_kept"] == pytest.approx(40 * 40 * 8, rel=0.05)
    assert got.x.min() >= LEFT + 30
    assert got.x.max() <= LEFT + 70
    assert survey.facts["points_outside"] == 80_000 - len(got)


def test_tile_order_and_threads_change_nothing(tmp_path):
    a = tile(tmp_path / "a.laz", LEFT, BOTTOM)
    tile(tmp_path / "b.laz", LEFT + 40, BOTTOM, seed=3)
    found, one = survey_of(tmp_path)
    a.rename(tmp_path / "z.laz")  # now read last
    again = plan(config(tmp_path))
    assert again.points.content_key == found.points.content_key
    other = read(config(tmp_path), Store(tmp_path / "other", threads=1))
    for name in ("x", "y", "z", "gps_time", "return_number"):
        np.testing.assert_array_equal(
            getattr(one.points.read(one.grid.bounds), name),
            getattr(other.points.read(other.grid.bounds), name),
        )


def test_without_a_boundary_the_footprint_is_taken_and_said(tmp_path):
    tile(tmp_path / "a.laz", LEFT, BOTTOM)
    tile(tmp_path / "b.laz", LEFT + 200, BOTTOM, seed=1)
    found, survey = survey_of(tmp_path)
    assert "no property polygon" in found.warnings[0]
    # Two squares far apart, not the box around both.
    assert survey.land.area == pytest.approx(2 * 50 * 50, rel=0.1)
    assert survey.inside.sum() * 0.25 == pytest.approx(survey.land.area, rel=0.02)


def test_flight_dates_from_adjusted_gps_time(tmp_path):
    """Adjusted time 3.0e8 is 2021-03-17 (ASPRS LAS 1.4 R16: seconds since 1980-01-06, less 1e9)."""
    tile(tmp_path / "a.laz", LEFT, BOTTOM)
    _, survey = survey_of(tmp_path)
    assert survey.facts["flown"] == ["2021-03-17", "2021-03-17"]


def test_returns_are_counted_by_cell(tmp_path):
    tile(tmp_path / "a.laz", LEFT, BOTTOM)
    las = laspy.read(tmp_path / "a.laz")
    _, survey = survey_of(tmp_path)
    row, col = survey.grid.rowcol(np.asarray(las.x), np.asarray(las.y))
    expected = np.zeros(survey.grid.shape, int)
    np.add.at(expected, (row, col), 1)
    np.testing.assert_array_equal(survey.tally.returns, expected)
    np.testing.assert_array_equal(survey.ground_returns, expected)


def test_extent_beyond_reason_is_refused(tmp_path):
    tile(tmp_path / "a.laz", LEFT, BOTTOM)
    tile(tmp_path / "b.laz", LEFT + 9000, BOTTOM + 9000)
    with pytest.raises(InputError, match=r"spans 9\.1 x 9\.1 km.*property polygon"):
        plan(config(tmp_path))


def test_tiles_in_two_zones_meet_in_one(tmp_path):
    tile(tmp_path / "a.laz", LEFT, BOTTOM)
    tile(tmp_path / "b.laz", LEFT + 50, BOTTOM, epsg=32616, seed=1)
    found, survey = survey_of(tmp_path)
    assert CRS.from_wkt(found.working).to_epsg() in (26916, 32616)
    assert survey.facts["points_kept"] == 40_000


@pytest.mark.parametrize(
    ("name", "crs", "given"),
    [
        ("lidr-megaplot/Megaplot.laz", {}, True),
        ("pycrown-nz-steep/POINTS.laz", {}, True),
        ("eglin-longleaf-nocrs/LASexample1.las", {"points": "EPSG:26916"}, True),
        ("sjer052-neon-crowns/SJER_052.laz", {"points": "EPSG:32611"}, True),
        ("ahn3-delft-crop2/ahn3_cropped_2.laz", {"points": "EPSG:28992"}, False),
        ("bcts-12/bcts_1.laz", {}, False),
    ],
)
def test_heights_over_ground_are_noticed(real_data, tmp_path, name, crs, given):
    settings = config(tmp_path, points=[str(real_data / name)], crs=crs)
    survey = read(settings, Store(tmp_path / "store", threads=2))
    assert survey.heights_given is given


def test_round_footprint_is_not_its_box(real_data, tmp_path):
    """Eglin longleaf plot: the hull holds 2,805 m2, the box 3,580 (convex hull by scipy)."""
    settings = config(
        tmp_path,
        points=[str(real_data / "eglin-longleaf-nocrs" / "LASexample1.las")],
        crs={"points": "EPSG:26916"},
    )
    survey = read(settings, Store(tmp_path / "s", threads=2))
    assert survey.land.area == pytest.approx(2805, rel=0.12)


def test_stray_points_far_off_need_a_boundary(real_data, tmp_path):
    """Two points at (0, 0) stretch the header of an ordinary tile to 700 x 6260 km."""
    path = real_data / "odd-files" / "append-bug-cpy_two_points_at_origin.laz"
    with pytest.raises(InputError, match="stray points"):
        plan(config(tmp_path, points=[str(path)]))
    las = laspy.read(path)
    x, y = np.asarray(las.x), np.asarray(las.y)
    real = x > 1000
    gpd.GeoDataFrame(
        geometry=[box(x[real].min(), y[real].min(), x[real].max(), y[real].max())], crs=2154
    ).to_file(tmp_path / "land.gpkg")
    settings = config(tmp_path, points=[str(path)], property=tmp_path / "land.gpkg")
    survey = read(settings, Store(tmp_path / "s", threads=2))
    assert survey.facts["points_outside"] == 2


def edited(path: Path, **columns) -> Path:
    """The tile with other values in some columns."""
    las = laspy.read(path)
    for name, value in columns.items():
        setattr(las, name, value)
    las.write(path)
    return path


def patched(path: Path, at: int, value: float) -> Path:
    raw = bytearray(path.read_bytes())
    struct.pack_into("<d", raw, at, value)
    path.write_bytes(raw)
    return path


@pytest.mark.parametrize(
    ("at", "value", "said"),
    [
        (131 + 16, 1e5, "20000 of its points have heights that no land has"),  # scale of z
        (155 + 16, 1e12, "of its points have heights that no land has, -500 to 9000 m"),  # offset
        (155 + 16, 300.0, "20000 of its points lie off the range of heights that its header"),
        (131, 1e12, "of its points lie off the bounds that its header states"),  # scale of x
        (155 + 8, 4_399_900.0, "of its points lie off the bounds that its header states"),
        (155 + 16, float("nan"), "damaged header: scales and offsets"),
    ],
)
def test_heights_that_cannot_be_are_refused(tmp_path, at, value, said):
    patched(tile(tmp_path / "a.laz", LEFT, BOTTOM), at, value)
    with pytest.raises(InputError, match=said):
        survey_of(tmp_path)


def test_a_few_wild_heights_are_left_out_and_reported(tmp_path):
    path = tile(tmp_path / "a.laz", LEFT, BOTTOM)
    z = np.asarray(laspy.read(path).z).copy()
    z[::200] = 90_000.0
    edited(path, z=z)
    _, survey = survey_of(tmp_path)
    assert survey.facts["points_impossible_height"] == 100
    assert survey.points.read(survey.grid.bounds).z.max() < 202
    assert any("100 points with heights that no land has" in w for w in survey.warnings)


def test_lone_ground_returns_are_left_out_and_reported(tmp_path):
    path = tile(tmp_path / "a.laz", LEFT, BOTTOM)
    las = laspy.read(path)
    z, x, y = (np.asarray(v).copy() for v in (las.z, las.x, las.y))
    middle = (abs(x - LEFT - 25) < 15) & (abs(y - BOTTOM - 25) < 15)
    z[np.flatnonzero(middle)[[10, 900, 2000]]] += [-40.0, 35.0, 150.0]
    edited(path, z=z)
    _, survey = survey_of(tmp_path)
    assert survey.facts["ground_points_lone"] == 3
    assert np.ptp(survey.points.read(survey.grid.bounds).z) < 1.1
    assert any("3 returns of the ground class lie metres off" in w for w in survey.warnings)


@pytest.mark.parametrize(("share", "taken"), [(0.24, True), (0.005, False)])
def test_a_class_that_holds_more_than_its_kind_can_is_vegetation(tmp_path, share, taken):
    path = tile(tmp_path / "a.laz", LEFT, BOTTOM)
    kind = np.where(np.arange(20_000) < share * 20_000, 15, 2).astype(np.uint8)
    edited(path, classification=kind)
    _, survey = survey_of(tmp_path)
    stored = np.bincount(survey.points.read(survey.grid.bounds).classification, minlength=16)
    assert (stored[1] > 0, stored[15] > 0) == (taken, not taken)
    assert survey.facts.get("classes_taken_for_vegetation") == ([15] if taken else None)
    assert any("class 15 holds 24% of the points" in w for w in survey.warnings) == taken


def test_a_neighbour_in_feet_stops_the_run(tmp_path):
    tile(tmp_path / "a.laz", LEFT, BOTTOM, 100.0)
    other = tile(tmp_path / "b.laz", LEFT + 100, BOTTOM, 100.0, seed=1)
    edited(other, z=np.asarray(laspy.read(other).z) / 0.3048)
    with pytest.raises(InputError, match=r"\.laz and .*\.laz: .*as feet and metres do"):
        survey_of(tmp_path)


def test_a_step_between_tiles_is_measured_and_named(tmp_path):
    tile(tmp_path / "a.laz", LEFT, BOTTOM, 100.0)
    other = tile(tmp_path / "b.laz", LEFT + 100, BOTTOM, 100.0, seed=1)
    found, survey = survey_of(tmp_path)
    assert survey.facts["points_seams"] == 1
    assert survey.facts["points_largest_step_m"] < 0.05
    edited(other, z=np.asarray(laspy.read(other).z) + 0.8)
    found, survey = survey_of(tmp_path)
    assert survey.facts["points_largest_step_m"] == pytest.approx(0.8, abs=0.05)
    # Stored without names, so that a tile may be renamed; published with them.
    (said,) = (w for w in survey.warnings if "along their seam" in w)
    assert ".laz" not in said
    assert "a.laz" in with_names(said, found.contents)
    assert "b.laz" in with_names(said, found.contents)


def test_too_few_returns_say_that_only_terrain_is_to_be_believed(tmp_path):
    tile(tmp_path / "a.laz", LEFT, BOTTOM, 200.0, density=0.04)
    _, survey = survey_of(tmp_path)
    assert survey.first_returns_per_m2 < 0.1
    assert any("too few for trees, columns or clear rates" in w for w in survey.warnings)


def test_what_people_draw_does_not_touch_the_stored_points(tmp_path):
    """Own lines, keep-outs, water, a time-out, names: none is part of the key of the points."""
    tile(tmp_path / "a.laz", LEFT, BOTTOM, 100.0)
    outline = land(tmp_path, LEFT + 10, BOTTOM + 10, LEFT + 90, BOTTOM + 90)
    key = plan(config(tmp_path, property=outline)).points.content_key
    road = LineString([(LEFT + 20, BOTTOM + 20), (LEFT + 60, BOTTOM + 80)])
    gpd.GeoDataFrame(geometry=[road], crs=26916).to_file(tmp_path / "road.gpkg")
    drawn = plan(
        config(
            tmp_path, property=outline, keep_out=[{"path": tmp_path / "road.gpkg", "buffer": 5.0}],
            water=[tmp_path / "road.gpkg"], own_holes=tmp_path / "road.gpkg",
            ingest={"stall_seconds": 77.0},
        )
    )  # fmt: skip
    assert drawn.points.content_key == key
    (tmp_path / "a.laz").rename(tmp_path / "other.laz")
    assert plan(config(tmp_path, property=outline)).points.content_key == key
    # What the points do depend on.
    for more in (
        {"ingest": {"overlap_points": True}},
        {"ingest": {"cell": 1.0}},
        {"ingest": {"left_out_classes": [7]}},
        {"crs": {"vertical_unit": "ft"}},
    ):
        assert plan(config(tmp_path, property=outline, **more)).points.content_key != key


@pytest.mark.parametrize("name", ["tiles [2020]", "a b (c)", "what? {1}", "50% *"])
def test_brackets_and_spaces_in_paths(tmp_path, name):
    folder = tmp_path / name
    folder.mkdir()
    tile(folder / "tile [1].laz", LEFT, BOTTOM)
    tile(folder / "tile 2.laz", LEFT + 50, BOTTOM, seed=1)
    given = {"*.laz": 2, "tile [1].laz": 1, "tile [2].laz": 1, "**/*.laz": 2, "tile ?.laz": 1}
    for pattern, count in given.items():
        found = plan(config(tmp_path, points=[str(folder / pattern)]))
        assert len(found.tiles) == count, pattern
    with pytest.raises(InputError, match="no file matches"):
        plan(config(tmp_path, points=[str(folder / "tile [34].laz")]))


def test_a_changed_header_between_looks_is_refused(tmp_path, monkeypatch):
    """Another tile is put in its place after the header was read."""
    path = tile(tmp_path / "a.laz", LEFT, BOTTOM)
    real = plan_module.fingerprint

    def late(of: Path):
        tile(path, LEFT, BOTTOM, density=9.0, seed=5)
        return real(of)

    monkeypatch.setattr(plan_module, "fingerprint", late)
    with pytest.raises(InputError, match="changed while the run was reading it"):
        plan(config(tmp_path))


def test_many_equal_faults_are_said_once(tmp_path):
    for i in range(40):
        (tmp_path / f"{i:02}.laz").write_text("hello")
    with pytest.raises(InputError) as fault:
        plan(config(tmp_path))
    assert "00.laz" in str(fault.value)
    assert "and 37 more: is not a LAS or LAZ file" in str(fault.value)
    assert len(str(fault.value).splitlines()) < 5
