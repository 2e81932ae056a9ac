"""Guarded reading: what is kept and why, and that damage costs one message and no time."""

import os
import shutil
import struct
import subprocess
import sys
import time
from pathlib import Path

import laspy
import numpy as np
import pytest
from pyproj import CRS

from lanewright.base.errors import InputError
from lanewright.base.grid import Grid
from lanewright.sources import decoding
from lanewright.sources import reader as reader_module
from lanewright.sources.files import fingerprint
from lanewright.sources.las import open_tile
from lanewright.sources.points import Blocks, PointStore, pack
from lanewright.sources.reader import Frame, Part, parts_of, read_parts

UTM16 = CRS.from_epsg(26916)


def write(path: Path, point_format: int, n: int = 2000, **fields) -> Path:
    header = laspy.LasHeader(
        point_format=point_format, version="1.4" if point_format > 5 else "1.2"
    )
    header.scales, header.offsets = [0.01] * 3, [500_000, 4_400_000, 0]
    header.add_crs(UTM16)
    las = laspy.LasData(header)
    rng = np.random.default_rng(4)
    las.x, las.y = 500_000 + 99 * rng.random(n), 4_400_000 + 99 * rng.random(n)
    las.z = 200 + 10 * rng.random(n)
    las.return_number = las.number_of_returns = np.ones(n, np.uint8)
    las.classification = np.full(n, 1, np.uint8)
    if point_format > 0:
        las.gps_time = np.arange(n) * 1e-3 + 1.0
    for name, value in fields.items():
        setattr(las, name, value)
    las.write(path)
    return path


def read(paths: list[Path], folder: Path, *, keep_overlap: bool = False, workers: int = 2, **crs):
    tiles = [open_tile(p, **crs) for p in paths]
    grid = Grid(UTM16.to_wkt(), 500_000.0, 4_400_100.0, 0.5, 200, 200)
    blocks = Blocks.over(grid)
    frame = Frame(grid.crs, grid.bounds, blocks, (7, 18), keep_overlap)
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    parts = [part for tile in tiles for part in parts_of(tile, frame, folder)]
    tallies = read_parts(parts, workers, 20.0)
    segments: dict[int, list] = {}
    whole = tallies[0]
    for part, tally in zip(parts, tallies, strict=True):
        if tally is not whole:
            whole.add(tally)
        for number, first, count in tally.segments:
            segments.setdefault(number, []).append((part.out, first, count))
    pack(folder, blocks, segments, 2)
    return whole, PointStore(folder, grid, blocks)


@pytest.mark.parametrize("point_format", [0, 1, 3, 6, 7])
def test_what_is_left_out_is_counted(tmp_path, point_format):
    n = 2000
    kind = np.full(n, 1, np.uint8)
    kind[:100], kind[100:150] = 7, 2
    withheld = np.zeros(n, bool)
    withheld[150:190] = True
    fields = {"classification": kind, "withheld": withheld}
    if point_format >= 6:
        overlap = np.zeros(n, bool)
        overlap[200:260] = True
        fields["overlap"] = overlap
    else:
        kind[200:260] = 12  # how formats 0 to 5 mark overlap
    path = write(tmp_path / "a.laz", point_format, n, **fields)
    tally, points = read([path], tmp_path / "out")
    assert (tally.read, tally.left_out, tally.withheld, tally.overlap) == (n, 100, 40, 60)
    assert tally.kept == len(points) == n - 200
    assert tally.classes[7] == 100
    kept, all_kept = read([path], tmp_path / "out", keep_overlap=True)
    assert kept.overlap == 0
    assert len(all_kept) == n - 140


def test_coordinates_come_back_to_the_millimetre(tmp_path):
    path = write(tmp_path / "a.laz", 6)
    las = laspy.read(path)
    _, points = read([path], tmp_path / "out")
    got = points.read(points.grid.bounds)
    ours = np.column_stack([got.x, got.y, got.z, got.gps_time])
    theirs = np.column_stack([las.x, las.y, las.z, las.gps_time])
    key = lambda a: a[np.lexsort(a.T)]  # noqa: E731
    np.testing.assert_allclose(key(ours), key(theirs), atol=6e-4)


def test_points_of_overlapping_tiles_count_once_in_any_order(tmp_path, monkeypatch):
    started = []
    monkeypatch.setattr(reader_module, "WORTH_A_PROCESS", 1000)  # two, as with large tiles
    plain = reader_module._Worker
    monkeypatch.setattr(reader_module, "_Worker", lambda box: started.append(1) or plain(box))
    a = write(tmp_path / "a.laz", 6)
    las = laspy.read(a)
    half = las[np.asarray(las.x) > 500_050]
    half.write(tmp_path / "b.laz")
    _, ab = read([a, tmp_path / "b.laz"], tmp_path / "out1")
    assert len(started) == 2
    read([tmp_path / "b.laz", a], tmp_path / "out2", workers=1)
    assert len(started) == 3
    assert len(ab) == len(las)
    raw = [(tmp_path / f / "points.bin").read_bytes() for f in ("out1", "out2")]
    assert raw[0] == raw[1]


def test_points_off_the_grid_are_skipped(tmp_path):
    far = 500_000 + np.r_[np.full(1000, 5.0), np.full(1000, 5000.0)]
    path = write(tmp_path / "a.laz", 6, x=far)
    tally, _ = read([path], tmp_path / "out")
    assert tally.outside == 1000


def test_impossible_return_numbers_are_mended_and_counted(tmp_path):
    path = write(tmp_path / "a.laz", 6, return_number=np.full(2000, 3, np.uint8))
    tally, points = read([path], tmp_path / "out")
    assert tally.mended_returns == 2000
    assert (points.read(points.grid.bounds).returns == 3).all()


def test_heights_in_feet_become_metres(tmp_path):
    path = write(tmp_path / "a.laz", 6)
    _, metres = read([path], tmp_path / "out1", vertical_unit="m")
    _, feet = read([path], tmp_path / "out2", vertical_unit="ft")
    z_m = np.sort(metres.read(metres.grid.bounds).z)
    z_ft = np.sort(feet.read(feet.grid.bounds).z)
    np.testing.assert_allclose(z_ft, z_m * 0.3048, atol=1e-3)


def test_damaged_points_are_one_message(tmp_path):
    path = write(tmp_path / "a.laz", 6, 60_000)
    raw = bytearray(path.read_bytes())
    start = len(raw) // 3
    raw[start : start + 20_000] = bytes(20_000)
    path.write_bytes(raw)
    tile = open_tile(path)
    began = time.monotonic()
    try:
        tally, _ = read([path], tmp_path / "out")
    except InputError as fault:
        assert str(path) in str(fault)
    else:
        assert tally.read == tile.header.points  # decoders may swallow it; the count must hold
    assert time.monotonic() - began < 20


def test_copc_gives_the_points_of_its_plain_twin(real_data, tmp_path):
    folder = real_data / "copc-ign"
    grids = []
    for name in ("buildings.copc.laz", "buildings.laz"):
        tile = open_tile(folder / name)
        left, bottom, right, top = tile.header.bounds
        grid = Grid.over((left - 1, bottom - 1, right + 1, top + 1), 0.5, tile.reference.crs)
        blocks = Blocks.over(grid)
        out = tmp_path / name
        out.mkdir()
        parts = parts_of(tile, Frame(grid.crs, grid.bounds, blocks, (), True), out)
        segments: dict[int, list] = {}
        for part, tally in zip(parts, read_parts(parts, 2, 20.0), strict=True):
            for number, first, count in tally.segments:
                segments.setdefault(number, []).append((part.out, first, count))
        pack(out, blocks, segments, 2)
        grids.append(PointStore(out, grid, blocks))
    a, b = (g.read(g.grid.bounds) for g in grids)
    assert len(a) == len(b)
    np.testing.assert_array_equal(np.sort(a.z), np.sort(b.z))
    assert (np.bincount(a.classification) == np.bincount(b.classification)).all()


@pytest.mark.parametrize("name", ["malformed_extrabytes.las", "rand1_6.las", "single_point.laz",
                                  "gps-time-nan.las", "noise-dirty.las"])  # fmt: skip
def test_odd_files_with_a_crs_given_end_within_bounds(real_data, tmp_path, name):
    """Read, or one message: never a traceback, never a hang, whatever the bytes."""
    began = time.monotonic()
    try:
        tile = open_tile(real_data / "odd-files" / name, crs="EPSG:3857", vertical_unit="m")
        frame = Frame(tile.reference.crs, (0, 0, 1e6, 1e6), Blocks(1_000_000_000, 1, 1), (), True)
        tally = read_parts(parts_of(tile, frame, tmp_path), 1, 20.0)[0]
        assert tally.read == tile.header.points
    except InputError as fault:
        assert name in str(fault)
    assert time.monotonic() - began < 30


def planned(path: Path, folder: Path) -> list[Part]:
    tile = open_tile(path)
    grid = Grid(UTM16.to_wkt(), 500_000.0, 4_400_100.0, 0.5, 200, 200)
    frame = Frame(grid.crs, grid.bounds, Blocks.over(grid), (7, 18), False)
    return parts_of(tile, frame, folder, fingerprint(path))


@pytest.mark.parametrize("n", [2000, 60_000])
def test_a_tile_changed_since_planning_is_refused(tmp_path, n):
    path = write(tmp_path / "a.laz", 6, n)
    parts = planned(path, tmp_path)
    assert read_parts(parts, 1, 20.0)[0].read == n
    before = path.read_bytes()
    write(path, 6, n, z=np.full(n, 777.0))
    with pytest.raises(InputError, match="changed while the run was reading it"):
        read_parts(parts, 1, 20.0)
    # Same header, other points: only the bytes themselves tell.
    raw = bytearray(before)
    raw[len(raw) // 2] ^= 0xFF
    path.write_bytes(raw)
    with pytest.raises(InputError, match="changed while"):
        read_parts(parts, 1, 20.0)
    path.unlink()
    with pytest.raises(InputError, match="changed while"):
        read_parts(parts, 1, 20.0)


def test_heights_off_the_header_are_left_out_and_counted(tmp_path):
    path = write(tmp_path / "a.las", 6, z=np.r_[np.full(1990, 205.0), np.full(10, 260.0)])
    raw = bytearray(path.read_bytes())
    struct.pack_into("<d", raw, 211, 210.0)  # highest z
    path.write_bytes(raw)
    tally, points = read([path], tmp_path / "out")
    assert (tally.kept, tally.unstated, tally.impossible) == (1990, 10, 0)
    assert points.read(points.grid.bounds).z.max() == 205.0
    assert (tally.lowest, tally.highest) == pytest.approx((205.0, 260.0))


def test_low_heights_by_coarse_cell(tmp_path):
    """Lowest last return and lowest class 2 of each 5 m cell, against a plain loop."""
    kind = np.where(np.arange(2000) % 3 == 0, 2, 1).astype(np.uint8)
    path = write(tmp_path / "a.las", 6, classification=kind)
    tally = read_parts(planned(path, tmp_path), 1, 20.0)[0]
    las, lowest = laspy.read(path), {}
    for x, y, z, k in zip(las.x, las.y, las.z, las.classification, strict=True):
        cell = int((y - 4_400_000) // 5) * 20 + int((x - 500_000) // 5)
        last, ground = lowest.get(cell, (np.inf, np.inf))
        lowest[cell] = min(last, z), min(ground, z) if k == 2 else ground
    got = dict(
        zip(tally.low_cells.tolist(), zip(tally.low_last, tally.low_ground, strict=True),
            strict=True)
    )  # fmt: skip
    assert got.keys() == lowest.keys()
    for cell, pair in lowest.items():
        np.testing.assert_allclose(got[cell], pair, atol=1e-9)


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("import os; os.kill(os.getpid(), 9)", "killed by the system, as happens when memory"),
        ("import sys; sys.exit('memory allocation of 99 bytes failed')", "GB of memory"),
        ("raise SystemExit(1)", "crashed the decoder"),
    ],
)
def test_why_a_process_ended(tmp_path, monkeypatch, code, said):
    path = write(tmp_path / "a.laz", 6)
    monkeypatch.setattr(reader_module, "start_command", lambda: [sys.executable, "-c", code])
    with pytest.raises(InputError, match=said):
        read([path], tmp_path / "out")


def test_a_process_that_asks_for_too_much_memory_says_so(tmp_path):
    """The limit holds in the process itself, so the machine's memory is not used up first."""
    code = (
        "import sys; sys.path.insert(0, sys.argv[1] + '/..')\n"
        "from lanewright.sources.decoding import bound_memory\n"
        "bound_memory(); bytearray(5 * 2**30)"
    )
    done = subprocess.run(
        reader_module.start_command(code), capture_output=True, text=True, check=False
    )
    assert done.returncode == 1
    assert done.stderr.strip().endswith("MemoryError")


def test_records_of_any_length_are_decoded_in_bounded_pieces(tmp_path, monkeypatch):
    """A record may be 65,535 bytes long; half a million of them are 32 GB."""
    path = write(tmp_path / "a.las", 6, 600)
    las = laspy.read(path)
    las.add_extra_dims([laspy.ExtraBytesParams(f"e{i}", "3f8") for i in range(200)])
    las.write(path)
    monkeypatch.setattr(decoding, "CHUNK_BYTES", 2**16)
    beats: list[int] = []
    part = planned(path, tmp_path)[0]
    assert decoding.read_part(part, beats.append).kept == 600
    assert max(beats) == 2**16 // part.tile.header.record
    assert part.tile.header.record == 30 + 200 * 24


def test_nothing_in_the_current_folder_is_run(tmp_path, monkeypatch):
    """Modules that lie there, a PYTHONPATH that names it and a start-up script are left alone."""
    path = write(tmp_path / "a.laz", 6)
    here = tmp_path / "here"
    here.mkdir()
    for name in ("laspy", "queue", "numpy", "lanewright", "sitecustomize", "usercustomize"):
        (here / f"{name}.py").write_text(f"open({str(tmp_path / 'run')!r}, 'w').write('{name}')")
    monkeypatch.chdir(here)
    monkeypatch.setenv("PYTHONPATH", f".{os.pathsep}{here}{os.pathsep}")
    monkeypatch.setenv("PYTHONSTARTUP", str(here / "queue.py"))
    tally, _ = read([path], tmp_path / "out")
    assert tally.kept == 2000
    assert not (tmp_path / "run").exists()
