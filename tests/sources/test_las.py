"""Headers of point files. Layout: ASPRS LAS 1.4 R16."""

import os
import struct
import subprocess
import sys
from pathlib import Path

import laspy
import numpy as np
import pytest
from pyproj import CRS

from lanewright.base.errors import InputError
from lanewright.sources.las import FORMAT_SIZES, open_tile, read_header


def tile(path: Path, n: int = 100, point_format: int = 6, version: str = "1.4", **header) -> Path:
    h = laspy.LasHeader(point_format=point_format, version=version)
    h.scales, h.offsets = [0.01] * 3, [500_000, 4_400_000, 0]
    h.add_crs(CRS.from_epsg(26916))
    las = laspy.LasData(h)
    rng = np.random.default_rng(1)
    las.x, las.y = 500_000 + 50 * rng.random(n), 4_400_000 + 50 * rng.random(n)
    las.z = 200 + rng.random(n)
    las.return_number = las.number_of_returns = np.ones(n, np.uint8)
    las.write(path)
    return path


def test_record_sizes_are_those_of_the_standard():
    assert FORMAT_SIZES == (20, 28, 26, 34, 57, 63, 30, 36, 38, 59, 67)


@pytest.mark.parametrize(
    ("point_format", "version"), [(0, "1.2"), (3, "1.3"), (6, "1.4"), (8, "1.4")]
)
@pytest.mark.parametrize("ending", ["las", "laz"])
def test_header_as_laspy_reads_it(tmp_path, point_format, version, ending):
    path = tile(tmp_path / f"a.{ending}", 100, point_format, version)
    header = read_header(path)
    with laspy.open(path) as theirs:
        assert header.points == theirs.header.point_count == 100
        assert header.bounds == (*theirs.header.mins[:2], *theirs.header.maxs[:2])
    assert (header.point_format, header.version) == (point_format, version)
    assert header.compressed == (ending == "laz")
    assert header.first_returns == 100


def test_copc_probe(registry_data):
    """COPC 1.0: bytes 377 to 380 are `copc`."""
    assert read_header(registry_data / "simple.copc.laz").copc
    assert not read_header(registry_data / "simple.laz").copc


def fault(path: Path) -> str:
    with pytest.raises(InputError) as outcome:
        open_tile(path)
    assert str(path) in str(outcome.value)
    return outcome.value.problem


def test_missing_file(tmp_path):
    assert "cannot be read" in fault(tmp_path / "none.laz")


def test_not_lidar_at_all(tmp_path):
    path = tmp_path / "picture.laz"
    path.write_bytes(b"\x89PNG" + bytes(1000))
    assert "not a LAS or LAZ file" in fault(path)


def test_empty_and_cut_within_header(tmp_path):
    path = tmp_path / "a.las"
    path.write_bytes(b"")
    assert "not a LAS" in fault(path)
    path.write_bytes(tile(tmp_path / "b.las").read_bytes()[:150])
    assert "ends within its header" in fault(path)


def test_truncated_las_counts_what_is_left(tmp_path):
    path = tile(tmp_path / "a.las")
    path.write_bytes(path.read_bytes()[:-301])
    assert "promises 100 points, the file holds 89" in fault(path)


def test_truncated_laz(tmp_path):
    path = tile(tmp_path / "a.laz", 60_000)
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 6 // 10])
    assert "cut off" in fault(path)


def test_no_points(tmp_path):
    path = tile(tmp_path / "a.las", 1)
    raw = bytearray(path.read_bytes())
    struct.pack_into("<Q", raw, 247, 0)
    path.write_bytes(raw)
    assert "holds no points" in fault(path)


def test_absurd_record_count_does_not_hang(tmp_path):
    path = tile(tmp_path / "a.las")
    raw = bytearray(path.read_bytes())
    struct.pack_into("<I", raw, 100, 1_069_128_089)
    path.write_bytes(raw)
    assert "damaged header" in fault(path)


def test_nonsense_bounds(tmp_path):
    path = tile(tmp_path / "a.las")
    raw = bytearray(path.read_bytes())
    struct.pack_into("<d", raw, 179, float("nan"))
    path.write_bytes(raw)
    assert "damaged header: bounds" in fault(path)


ODD = {
    "garbage_nVariableLength.las": "damaged header",
    "no-points.las": "holds no points",
    "1.2-no-points.las": "promises 1065 points, the file holds 0",
    "1.2-with-color-clipped.las": "promises 1065 points, the file holds 1064",
    "warsaw_small.las": "cannot be understood",
    "las14_prf6_badwkt.laz": "cannot be understood",
    "rand1_6.las": "which CRS",
    "gps-time-nan.las": "which CRS",
    "nocrs.las": "which CRS",
    "prec3.las": "which CRS",
    "fwf.laz": "which CRS",
    "simple-laszip-compressor-version-1.2r0.laz": "unknown writer",
    "Semis_2022_0906_6665_nok.laz": "damaged header",
    "derived_truncated_60pct_Topography.laz": "cut off",
    "epsg_4326.las": "unit heights are in",
    "spurious.las": "unit heights are in",
}


@pytest.mark.parametrize("name", ODD)
def test_odd_files_say_what_is_wrong(real_data, name):
    assert ODD[name] in fault(real_data / "odd-files" / name)


@pytest.mark.parametrize(
    ("name", "units"),
    [
        ("nebraska-ftus/file_with_both_wkt_and_geotiff_vlrs.las", ("US survey foot",) * 2),
        ("mississippi-wrong-unit/mvk-thin.las", ("US survey foot",) * 2),
        ("mixed-units-lcc-m-navd88-ft/autzen-bmx-2010.las", ("metre", "US survey foot")),
        ("ponderosa-als/ALS_Clip.laz", ("metre", "metre")),
        ("rmnp017-neon-normalised/RMNP_017_2018_normalize.las", ("metre", "metre")),
        ("bcts-12/bcts_1.laz", ("metre", "metre")),
    ],
)
def test_units_of_real_tiles(real_data, name, units):
    assert open_tile(real_data / name).reference.unit_names == units


def test_registry_feet(registry_data):
    """Eugene, Oregon: international feet sideways, heights untold."""
    assert "unit heights are in" in fault(registry_data / "autzen_trim.laz")
    outcome = open_tile(registry_data / "autzen_trim.laz", vertical_unit="ft")
    assert outcome.reference.unit_names == ("international foot",) * 2


def patched(path: Path, layout: str, at: int, *values: float) -> Path:
    raw = bytearray(path.read_bytes())
    struct.pack_into(layout, raw, at, *values)
    path.write_bytes(raw)
    return path


@pytest.mark.parametrize("points", [2**62, 50_001, 10**9])
def test_laz_that_declares_more_points_than_its_chunks_hold(tmp_path, points):
    """One chunk of 50,000 at most (LASzip's default) holds the 100 points."""
    path = patched(tile(tmp_path / "a.laz"), "<Q", 247, points)
    assert f"{points} points in 1 chunks cannot stand in" in fault(path)


def test_laz_with_chunks_of_any_size_is_bounded_by_its_bytes(tmp_path):
    path = tile(tmp_path / "a.laz")
    raw = path.read_bytes()
    at = raw.index(b"laszip encoded") - 2 + 54 + 12
    patched(path, "<I", at, 0xFFFFFFFF)
    patched(path, "<Q", 247, 2**62)
    assert "cannot stand in" in fault(path)


def test_laz_whose_table_names_more_chunks_than_fit(tmp_path):
    path = tile(tmp_path / "a.laz")
    start = struct.unpack_from("<I", path.read_bytes(), 96)[0]
    table = struct.unpack_from("<q", path.read_bytes(), start)[0]
    patched(path, "<I", table + 4, 2**32 - 1)
    assert "chunks cannot stand in" in fault(path)


def test_a_file_of_equal_points_is_still_believed(tmp_path):
    """The tightest LAZ there is: nothing changes from point to point."""
    header = laspy.LasHeader(point_format=0, version="1.2")
    header.scales = [0.01] * 3
    las = laspy.LasData(header)
    las.x = np.zeros(2_000_000)
    las.write(tmp_path / "a.laz")
    size = (tmp_path / "a.laz").stat().st_size
    assert size < 2_000_000 / 100
    assert read_header(tmp_path / "a.laz").points == 2_000_000


@pytest.mark.parametrize(
    ("at", "value"), [(131, 5e-324), (131 + 16, float("inf")), (155 + 16, float("nan"))]
)
def test_scales_and_offsets_that_are_no_numbers(tmp_path, at, value):
    assert "scales and offsets" in fault(patched(tile(tmp_path / "a.las"), "<d", at, value))


def test_heights_no_land_has(tmp_path):
    path = patched(tile(tmp_path / "a.las"), "<2d", 211, 90_000.0, 20_000.0)
    assert "heights go from 20000 to 90000 m" in fault(path)


def test_points_compressed_for_another_format(tmp_path):
    path = patched(tile(tmp_path / "a.laz"), "<B", 104, 0x80)
    assert "point format 0 is not how its points are compressed" in fault(path)


def test_no_network_library_is_taken_along(tmp_path):
    """laspy imports `requests` where there is one; that opens a socket to see what there is."""
    (tmp_path / "requests.py").write_text("raise SystemExit('imported')")
    code = "import sys, lanewright.sources.lidarlib; print('requests' in sys.modules)"
    path = os.pathsep.join([str(tmp_path), *sys.path])
    done = subprocess.run(
        [sys.executable, "-c", code], env=os.environ | {"PYTHONPATH": path}, text=True,
        capture_output=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (0, "False\n"), done.stderr
