"""Formats and ground by PDAL: real where the program is there, and what is said where it is not.

`.ci/pdal` runs this file with PDAL 2.2 in a Debian 11 root. Points of both roads are compared with
those that our own reader stores from the LAZ file; ground with planted land or the vendor's.
"""

import json
from pathlib import Path

import laspy
import numpy as np
import pytest
from pyproj import CRS

import pulses
import small
import worlds
from lanewright.base.errors import InputError
from lanewright.land.ground import find_ground
from lanewright.land.smrf import ground_mask, version_for
from lanewright.settings.config import Config, load
from lanewright.settings.ground import GroundSettings, SmrfSettings
from lanewright.sources import pdal
from lanewright.sources.converted import convert
from lanewright.store import Store
from run.runs import lanewright
from surveyed import survey_of

needs_pdal = pytest.mark.skipif(pdal.program() is None, reason="PDAL 2.2 or newer is not here")


@pytest.fixture(autouse=True)
def _cache(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


@pytest.fixture
def without(monkeypatch, tmp_path):
    """A machine without PDAL."""
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(pdal.importlib.util, "find_spec", lambda _name: None)


def config_of(folder: Path, path: Path, **more) -> Config:
    return Config(name="x", points=(str(path),), out=folder / "out", **more)


def stored(folder: Path, config: Config):
    """All points that the stages keep, sorted, and the ground."""
    store = Store(folder / f"stages-{Path(config.points[0]).suffix[1:]}")
    survey = survey_of(config, store)
    parts = [block for _window, block in survey.points.windows(400.0)]
    columns = [
        np.concatenate([getattr(b, name) for b in parts]).astype(float)
        for name in ("x", "y", "z", "gps_time", "return_number", "returns", "classification")
    ]
    table = np.column_stack(columns)
    ground = store.step(find_ground, survey, config.ground, pdal=version_for(config.ground))
    return table[np.lexsort(table.T)], ground


def as_text(las: laspy.LasData, path: Path) -> None:
    """The same points as text, written by numpy."""
    names = ["X", "Y", "Z", "GpsTime", "ReturnNumber", "NumberOfReturns", "Classification",
             "PointSourceId"]  # fmt: skip
    from_las = [las.x, las.y, las.z, las.gps_time, las.return_number, las.number_of_returns,
                las.classification, las.point_source_id]  # fmt: skip
    with path.open("w") as file:
        file.write(",".join(names) + "\n")
        forms = ["%.9g", "%.9g", "%.7g", "%.17g", *["%d"] * 4]
        np.savetxt(file, np.column_stack(from_las), delimiter=",", fmt=forms)


# Without it -------------------------------------------------------------------------------------


def test_other_formats_without_pdal_name_the_remedy(tmp_path, without):
    path = tmp_path / "cloud.e57"
    path.write_bytes(b"ASTM-E57" + bytes(100))
    with pytest.raises(InputError, match=r"PDAL, which may read it, is not installed\. Install"):
        survey_of(config_of(tmp_path, path), Store(tmp_path / "s"))


def test_smrf_without_pdal_says_one_line_and_goes_on(tmp_path, without):
    world = worlds.plane(density=4.0, slope=(0.05, 0.0), size=40.0)
    pulses.write_laz(tmp_path / "t.laz", world.points)
    config = config_of(tmp_path, tmp_path / "t.laz", ground={"source": "smrf"})
    _table, ground = stored(tmp_path, config)
    assert ground.source == "filter"
    (said,) = [w for w in ground.warnings if "smrf" in w]
    assert "PDAL 2.2 or newer is not installed" in said


@pytest.mark.parametrize("version", ["1.9.4", "2.1.0", "none"])
def test_older_programs_are_not_used(monkeypatch, tmp_path, without, version):
    fake = tmp_path / "pdal"
    fake.write_text(f"#!/bin/sh\necho 'pdal {version} (git-version: Release)'\n")
    fake.chmod(0o755)
    pdal._program.cache_clear()
    assert pdal.program() is None


def test_a_program_that_fails_costs_one_message(monkeypatch, tmp_path, without):
    fake = tmp_path / "pdal"
    fake.write_text(
        '#!/bin/sh\n[ "$1" = --version ] && { echo "pdal 2.9.0"; exit 0; }\n'
        "echo 'PDAL: something is odd' >&2\nexit 1\n"
    )
    fake.chmod(0o755)
    pdal._program.cache_clear()
    path = tmp_path / "cloud.ply"
    path.write_bytes(b"ply\n")
    with pytest.raises(InputError, match=r"PDAL 2\.9\.0 cannot do it \(PDAL: something is odd\)"):
        convert(path)
    assert not list((tmp_path / "cache").rglob("*.laz"))


# With it ----------------------------------------------------------------------------------------


def by_pdal(source: Path, out: Path, writer: str, **options) -> None:
    stages = [{"type": "readers.las", "filename": str(source)},
              {"type": writer, "filename": str(out), **options}]  # fmt: skip
    pdal.run(pdal.program(), source, stages, out.parent)


REAL = [
    ("copc-ign", "buildings.laz", {}),
    ("ign-montpellier-mosaic", "test_data_77050_627755_LA93_IGN69.laz", {}),
    ("ponderosa-als", "ALS_Clip.laz", {}),
]


@needs_pdal
@pytest.mark.parametrize(("folder", "name", "crs"), REAL)
def test_text_gives_the_points_and_ground_that_laz_gives(tmp_path, real_data, folder, name, crs):
    source = real_data / folder / name
    las = laspy.read(source)
    as_text(las, tmp_path / "cloud.txt")
    straight, ground = stored(tmp_path, config_of(tmp_path, source))
    wkt = las.header.parse_crs().to_wkt()
    outcome, other = stored(
        tmp_path, config_of(tmp_path, tmp_path / "cloud.txt", crs={"points": wkt})
    )
    flagged = np.asarray(las["withheld"]).any() or np.asarray(las["overlap"]).any()
    assert flagged or outcome.shape == straight.shape
    if not flagged:
        assert np.abs(outcome - straight).max() < 1e-3
    off = (other.surface - ground.surface)[np.isfinite(ground.surface)]
    assert np.sqrt(np.nanmean(off**2)) < 0.05


@needs_pdal
@pytest.mark.parametrize(("suffix", "writer"), [(".bpf", "writers.bpf"), (".ply", "writers.ply")])
def test_other_formats_give_the_same_places(tmp_path, suffix, writer):
    """Formats that PDAL writes itself from the planted tile; PLY has no class and no time."""
    world = worlds.plane(density=3.0, slope=(0.05, 0.1), size=30.0)
    pulses.write_laz(tmp_path / "t.laz", world.points)
    options = {"storage_mode": "little endian"} if suffix == ".ply" else {}
    by_pdal(tmp_path / "t.laz", tmp_path / f"t{suffix}", writer, **options)
    found = laspy.read(convert(tmp_path / f"t{suffix}").file)
    given = laspy.read(tmp_path / "t.laz")
    for axis in "xyz":
        mine, theirs = np.sort(np.asarray(found[axis])), np.sort(np.asarray(given[axis]))
        assert np.abs(mine - theirs).max() < 0.002
    if suffix == ".bpf":
        for name in ("return_number", "number_of_returns", "classification"):
            assert np.array_equal(np.sort(found[name]), np.sort(given[name])), name


@needs_pdal
def test_a_tree_of_points_on_the_disk_is_read(tmp_path):
    import fetch_server as web
    from fetch.test_get import entwine

    site = web.Site()
    p = entwine(site, tmp_path)
    outcome = json.loads(site.files["/t/ept.json"])
    outcome["srs"]["wkt"] = CRS.from_epsg(3857).to_wkt("WKT1_GDAL")
    site.put("/t/ept.json", outcome)
    for name, body in site.files.items():
        path = tmp_path / "tree" / name.removeprefix("/t/")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(body)
    found = laspy.read(convert(tmp_path / "tree" / "ept.json").file)
    assert len(found.points) == len(p["x"])
    for axis in "xyz":
        off = np.sort(np.asarray(found[axis])) - np.sort(p[axis])
        assert np.abs(off).max() < 0.002


@needs_pdal
def test_degrees_keep_their_places(tmp_path):
    place = np.array([[-84.0000012, 38.0000034, 210.5], [-84.0000456, 38.0000078, 211.25]])
    np.savetxt(tmp_path / "d.csv", place, delimiter=",", header="X,Y,Z", comments="", fmt="%.9f")
    found = laspy.read(convert(tmp_path / "d.csv").file)
    assert np.column_stack([found.x, found.y]) == pytest.approx(place[:, :2], abs=2e-8)


@needs_pdal
def test_a_converted_file_is_made_once_and_again_when_it_changed(tmp_path):
    np.savetxt(tmp_path / "d.txt", np.eye(3) * 500, delimiter=",", header="X,Y,Z", comments="")
    first = convert(tmp_path / "d.txt")
    made = first.file.stat().st_ino
    assert convert(tmp_path / "d.txt").file.stat().st_ino == made
    assert json.loads(first.pipeline)["pipeline"][0] == {
        "filename": "d.txt",
        "type": "readers.text",
    }
    np.savetxt(tmp_path / "d.txt", np.eye(3) * 600, delimiter=",", header="X,Y,Z", comments="")
    assert convert(tmp_path / "d.txt").file != first.file


@needs_pdal
def test_smrf_takes_a_house_off_a_plane():
    """A flat roof of 12 by 10 m, 5 m above a plane: no roof is ground, most bare land is."""
    rng = np.random.default_rng(1)
    x, y = rng.uniform(0, 80, (2, 30_000))
    roof = (abs(x - 40) < 6) & (abs(y - 40) < 5)
    z = 100 + 0.1 * x + rng.normal(0, 0.02, x.size)
    z[roof] = 109.0
    facts = {}
    ground = ground_mask(x, y, z, SmrfSettings(), facts)
    assert not ground[roof].any()
    assert ground[~roof].mean() > 0.97
    assert [s["type"] for s in facts["pdal_pipeline"]] == [
        "readers.las",
        "filters.elm",
        "filters.outlier",
        "filters.smrf",
        "writers.las",
    ]
    wide = ground_mask(x, y, z, SmrfSettings(window=3.0), {})
    assert wide[roof].any()  # a window narrower than the house must leave it


@needs_pdal
@pytest.mark.parametrize(("folder", "name", "most"), [
    # PDAL's SMRF against the vendor's ground class, root mean square [m], as measured.
    ("copc-ign", "buildings.laz", 0.10),
    ("ign-montpellier-mosaic", "test_data_77050_627755_LA93_IGN69.laz", 0.05),
    ("ign-crop1-slope", "crop_1.laz", 0.05),
])  # fmt: skip
def test_smrf_finds_the_ground_of_real_tiles(tmp_path, real_data, folder, name, most):
    config = config_of(tmp_path, real_data / folder / name, ground={"source": "class 2"})
    store = Store(tmp_path / "s")
    survey = survey_of(config, store)
    vendor = store.step(find_ground, survey, config.ground)
    settings = GroundSettings(source="smrf")
    found = store.step(find_ground, survey, settings, pdal=version_for(settings))
    assert found.source == "smrf"
    off = (found.surface - vendor.surface)[survey.inside]
    assert np.sqrt(np.nanmean(off**2)) < most


@needs_pdal
def test_a_run_on_text_with_smrf_keeps_both_pipelines_beside_its_results(tmp_path):
    path = small.small_property(tmp_path, ground={"source": "smrf"}, points=["*.txt"],
                                crs={"points": "EPSG:26916"})  # fmt: skip
    for tile in tmp_path.glob("*.laz"):
        as_text(laspy.read(tile), tile.with_suffix(".txt"))
        tile.unlink()
    assert CRS.from_user_input(load(path).crs.points).to_epsg() == 26916
    done = lanewright("scout", path)
    assert done.returncode == 0, done.stderr
    outcome = json.loads((tmp_path / "out" / "summary.json").read_text())["findings"]
    assert [f["file"] for f in outcome["ingest"]["read_by_pdal"]] == ["a.txt", "b.txt"]
    assert outcome["ground"]["source"] == "smrf"
    assert outcome["ground"]["pdal_pipeline"][3]["type"] == "filters.smrf"
