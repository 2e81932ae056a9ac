"""What this machine has of what a run needs, and of what it can use.

Packages are imported where they are looked at, so that a missing one is a line of the report.
"""

from __future__ import annotations

import importlib
import importlib.metadata as metadata
import os
import platform
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import lanewright
from lanewright.base.errors import INSTALL
from lanewright.sources.pdal import numbers, program

LEAST_MEMORY, LEAST_DISK = 4.0, 2.0
"""Memory free and disk free [GB] under which a square kilometre at 8 points per m2 is at risk: it
peaked at 2.5 GB, with results and stored points of 1 GB (figures in DEVELOPERS.md)."""


@dataclass(frozen=True)
class Item:
    """One line of the report.

    Attributes
    ----------
    state
        `ok`; `absent` for an optional part; `look` for what may fall short; `missing` for what a
        run cannot do without.
    mend
        What to do about it; empty where nothing is to be done.
    """

    name: str
    found: str
    state: Literal["ok", "absent", "look", "missing"] = "ok"
    mend: str = ""


def machine(out: Path) -> list[Item]:
    """Everything but the self-check, required things first.

    Parameters
    ----------
    out
        Folder whose disk the results would go to.
    """
    return [
        Item("lanewright", f"{lanewright.__version__}, Python {platform.python_version()}"),
        packages(),
        examined("libraries", _libraries),
        examined("threads", _threads),
        examined("memory", _memory),
        *disks(out, Path(tempfile.gettempdir())),
        examined("kernels", kernels),
        pdal(),
        _program("Chromium", ("chromium", "chromium-browser"), "tests of the page", "chromium"),
        _program("GDAL tools", ("gdalinfo",), "benchmarks against them", "gdal-bin"),
    ]


def examined(name: str, look: Callable[[], Item]) -> Item:
    """What `look` finds; `missing` where a package that it needs cannot be imported."""
    try:
        return look()
    except ImportError as fault:
        return Item(name, f"cannot be examined: {fault}", "missing", INSTALL)


# ---------------------------------------------------------------------------------------------
# Required


def packages() -> Item:
    """Whether every package that the installed metadata asks for is there, and new enough."""
    try:
        wanted = metadata.requires("lanewright") or []
    except metadata.PackageNotFoundError:
        return Item(
            "packages",
            "lanewright is run from its sources, not installed",
            "look",
            "To have versions checked: pip install -c tests/constraints.txt -e .",
        )
    bounds = [_bound(line) for line in wanted if "extra ==" not in line]
    wrong = [said for name, least in bounds if (said := _lack(name, least))]
    if wrong:
        return Item(
            "packages",
            "; ".join(wrong),
            "missing",
            INSTALL,
        )
    return Item("packages", f"all {len(bounds)} required are installed")


def _bound(line: str) -> tuple[str, str]:
    """Name and least version of one requirement, such as `numpy>=2.0`."""
    found = re.match(r"([A-Za-z0-9._-]+)[^>]*(?:>=\s*([0-9.]+))?", line)
    assert found is not None
    return found[1], found[2] or "0"


def _lack(name: str, least: str) -> str:
    try:
        version = metadata.version(name)
    except metadata.PackageNotFoundError:
        return f"{name} is not installed"
    if numbers(version) < numbers(least):
        return f"{name} is {version}, older than {least}"
    return ""


def _libraries() -> Item:
    from lanewright.sources.opening import library_versions

    return Item("libraries", library_versions())


def _threads() -> Item:
    import numba

    used = int(numba.config.NUMBA_NUM_THREADS)  # type: ignore[attr-defined]
    allowed = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else used
    return Item("threads", f"{used} used, of {os.cpu_count()} cores; {allowed} allowed here")


def _memory() -> Item:
    import psutil

    memory = psutil.virtual_memory()
    free = memory.available / 1e9
    said = f"{free:.1f} GB free of {memory.total / 1e9:.1f}"
    if free < LEAST_MEMORY:
        return Item("memory", said, "look", f"{LEAST_MEMORY:.0f} GB suit a square kilometre.")
    return Item("memory", said)


def disks(out: Path, scratch: Path) -> list[Item]:
    """Room where results go, and where temporary files go; a folder that takes none is missing."""
    found = []
    for name, folder in (("results", out), ("temporary files", scratch)):
        while not folder.exists() and folder != folder.parent:
            folder = folder.parent
        free = shutil.disk_usage(folder).free / 1e9
        said = f"{free:.1f} GB free at {folder}"
        if not os.access(folder, os.W_OK):
            mend = "Choose another folder." if name == "results" else "Set TMPDIR to another."
            found.append(Item(f"disk, {name}", f"{folder} cannot be written to", "missing", mend))
        elif free < LEAST_DISK:
            found.append(Item(f"disk, {name}", said, "look", "A square kilometre takes 2 GB."))
        else:
            found.append(Item(f"disk, {name}", said))
    return found


def kernels() -> Item:
    """How many of the compiled kernels are kept on disk; the rest compile at the first run."""
    from numba.core.dispatcher import Dispatcher

    home = Path(lanewright.__file__).parent / "kernels"
    names = [p.stem for p in sorted(home.glob("*.py")) if p.stem != "__init__"]
    kept = total = 0
    places = set()
    tag = f".py{sys.version_info.major}{sys.version_info.minor}"
    for name in names:
        module = importlib.import_module(f"lanewright.kernels.{name}")
        for kernel in vars(module).values():
            if not isinstance(kernel, Dispatcher) or kernel.py_func.__module__ != module.__name__:
                continue
            folder = Path(str(kernel.stats.cache_path))
            total += 1
            kept += any(folder.glob(f"{name}.{kernel.py_func.__qualname__}-*{tag}*.nbi"))
            places.add(folder)
    shut = sorted(str(p) for p in places if p.exists() and not os.access(p, os.W_OK))
    said = f"{kept} of {total} compiled and kept"
    if shut:
        return Item(
            "kernels",
            f"{said}; {shut[0]} cannot be written to",
            "look",
            "Set NUMBA_CACHE_DIR to a folder that can; else each run compiles for minutes.",
        )
    return Item("kernels", said if kept == total else f"{said}; the rest compile when first used")


# ---------------------------------------------------------------------------------------------
# Optional


def pdal() -> Item:
    """PDAL as a run would find it."""
    uses = "other point formats and ground.source: smrf"
    found = program()
    if found is not None:
        return Item("PDAL", f"{found.version}, {found.where}: {uses}")
    there = shutil.which("pdal")
    if there is None:
        return Item("PDAL", f"not found; without it no {uses}", "absent")
    return Item(
        "PDAL", f"{there} is not used: it reports no version from 2.2 on", "look", "Update it."
    )


def _program(name: str, commands: tuple[str, ...], uses: str, package: str) -> Item:
    for command in commands:
        program = shutil.which(command)
        if program is not None:
            said = _says([program, "--version"]).strip().splitlines()
            return Item(name, f"{said[0][:60] if said else 'found'} at {program}")
    mend = f"On Debian or Ubuntu: apt install {package}."
    return Item(name, f"not found; only {uses} need it", "absent", mend)


def _says(command: list[str]) -> str:
    """What a program prints; empty if it fails or hangs."""
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=10, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return ""
    return done.stdout if done.returncode == 0 else ""
