import fcntl
import gc
import hashlib
import os
import subprocess
import sys
import tarfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import settings

ROOT = Path(__file__).resolve().parents[1]

LASPY_SDIST = "f56feb5445e75d6ff12ee814aab6a35339290e75264ff277c6bf553f3025a3f5"
"""SHA-256 of the source distribution of laspy 2.7.0, whose tests folder holds real lidar."""


WITHOUT_KERNELS = {"base", "doctor", "fetch", "publish", "settings", "sources"}
"""Folders whose tests call few compiled functions or none."""


def pytest_configure() -> None:
    """Search for cycles seldom, as the command does: an eighth of the tests' CPU otherwise.

    On a busy machine any example may take long; that says nothing of what it shows.
    """
    gc.set_threshold(10_000)
    settings.register_profile("ours", deadline=None)
    settings.load_profile("ours")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Order the files so that no worker waits for the demo or compiles what another compiles.

    One file that uses the demo comes first: its worker makes the demo and compiles nearly all there
    is. Meanwhile come files that need little compiled, then those that start whole runs, then the
    rest, each kind by number of tests; the others that use the demo are last. Holds with
    `--dist loadfile --no-loadscope-reorder`; without xdist it only changes the order.
    """
    size = Counter(item.path for item in items)
    of_demo = {item.path for item in items if "demo" in getattr(item, "fixturenames", ())}
    first = max(of_demo, key=lambda path: (path.parent.name == "run", size[path]), default=None)

    def place(item: pytest.Item) -> tuple[int, int, str]:
        path = item.path
        if path in of_demo:
            kind = 0 if path == first else 4
        elif path.parent.name in WITHOUT_KERNELS and path.parent.parent == ROOT / "tests":
            kind = 1
        else:
            module = getattr(item, "module", None)
            runs = any(callable(getattr(module, name, None)) for name in ("lanewright", "called"))
            kind = 2 if runs else 3
        return kind, -size[path], str(path)

    items.sort(key=place)


@pytest.fixture(scope="session")
def real_data() -> Path:
    """Folder of open lidar and elevation data; not part of the project."""
    folder = Path(os.environ.get("LANEWRIGHT_DATA", ROOT.parent / "shared" / "data"))
    if not (folder / "bcts-12").is_dir():
        pytest.skip("no open data folder; set LANEWRIGHT_DATA to run this test")
    return folder


@pytest.fixture(scope="session")
def registry_data(request: pytest.FixtureRequest) -> Path:
    """Real lidar that the source distribution of laspy carries, checksum pinned (BSD-2)."""
    cache = request.config.cache
    assert cache is not None
    folder = cache.mkdir("laspy-sdist")
    archive = folder / "laspy-2.7.0.tar.gz"
    if not archive.exists():
        command = [sys.executable, "-m", "pip", "download", "-q", "--no-deps"]
        command += ["--no-binary", "laspy", "-d", str(folder), "laspy==2.7.0"]
        done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
        if done.returncode:
            pytest.skip("the source distribution of laspy cannot be downloaded here")
    assert hashlib.sha256(archive.read_bytes()).hexdigest() == LASPY_SDIST
    data = folder / "laspy-2.7.0" / "tests" / "data"
    if not data.is_dir():
        with tarfile.open(archive) as tar:
            tar.extractall(folder, filter="data")
    return data


@contextmanager
def _shared(factory: pytest.TempPathFactory, worker_id: str, name: str) -> Iterator[Path]:
    """Folder that all workers of the session share, held by one at a time."""
    base = factory.getbasetemp()
    folder = (base if worker_id == "master" else base.parent) / name
    folder.mkdir(exist_ok=True)
    with (folder.parent / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield folder


@pytest.fixture(scope="session")
def tunnel(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Path:
    """Folder of `tunnel_survey` with the results of one run, made once for all workers.

    `said.txt` and `errors.txt` are what the command printed. Tests only read it; what runs again
    runs over a copy.
    """
    from run.runs import lanewright, tunnel_survey

    with _shared(tmp_path_factory, worker_id, "tunnel") as folder:
        if not (folder / "said.txt").exists():
            done = lanewright("scout", tunnel_survey(folder), "--threads", 2)
            assert done.returncode == 0, done.stderr
            (folder / "errors.txt").write_text(done.stderr)
            (folder / "said.txt").write_text(done.stdout)
    return folder


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Path:
    """Out folder of the demo run, made once for all tests and workers of the session.

    Tests may read it and run again over it with the same settings; nothing else.
    `LANEWRIGHT_DEMO` names one that is there already, made by the same version.
    """
    if "LANEWRIGHT_DEMO" in os.environ:
        return Path(os.environ["LANEWRIGHT_DEMO"])
    with _shared(tmp_path_factory, worker_id, "demo") as folder:
        if not (folder / "summary.json").exists():
            config = ROOT / "configs" / "hollow-creek.yaml"
            command = [sys.executable, "-m", "lanewright", "scout", str(config)]
            done = subprocess.run(
                [*command, "--out", str(folder)],
                capture_output=True, text=True, timeout=3000, check=False,
                env={**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
            )  # fmt: skip
            assert done.returncode == 0, done.stderr
    return folder
