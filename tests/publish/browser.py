"""A page in a headless browser from the system's packages, watched for errors and requests."""

from __future__ import annotations

import base64
import hashlib
import shutil
import subprocess
import tarfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
AXE = "4.14.1"
AXE_SHA512 = (
    "FHfa+lmNjQZfJz1q8wKqIDwC6DExcHt/pkjNQb09a3NPjCKg2rhu5qb2S4r76ASyFNNtuFooJpZe37OgudVGtQ=="
)
"""Checksum of the package axe-core 4.14.1 (MPL-2.0) as its registry states it."""


@dataclass
class Watched:
    """A page, what its console said and what it asked the network for."""

    page: Any
    errors: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)


@contextmanager
def browsing() -> Iterator[Any]:
    """A browser for the tests of a file, which starts slowly; skips where there is none."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    program = next((p for name in BROWSERS if (p := shutil.which(name))), None)
    if program is None:
        pytest.skip("no Chromium here; Debian has it as the package chromium")
    with sync_api.sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=program,
            # Space is drawn by software where there is no graphics card. The page itself is drawn
            # without that detour, in a quarter of the CPU time.
            args=["--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader",
                  "--disable-gpu-compositing", "--disable-gpu-rasterization"],
        )  # fmt: skip
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def opened(file: Path, browser: Any, width: int = 1280, height: int = 900) -> Iterator[Watched]:
    """Open a file as somebody would from the disk, in a context of its own."""
    context = browser.new_context(
        viewport={"width": width, "height": height},
        reduced_motion="reduce",  # else boxes are read while the page still scrolls
    )
    page = context.new_page()
    page.set_default_timeout(60_000)
    watched = Watched(page)
    page.on("pageerror", lambda error: watched.errors.append(str(error)))
    page.on(
        "console",
        lambda said: watched.errors.append(said.text) if said.type == "error" else None,
    )

    def asked(request: Any) -> None:
        if not request.url.startswith(("file:", "data:", "blob:")):
            watched.requests.append(request.url)

    page.on("request", asked)
    page.goto(file.as_uri())
    try:
        yield watched
    finally:
        context.close()


def axe_script(cache: Path) -> str:
    """The accessibility checker, fetched once into the cache; skips where it cannot be had."""
    archive = cache / f"axe-core-{AXE}.tgz"
    if not archive.exists():
        npm = shutil.which("npm")
        if npm is None:
            pytest.skip("no npm here to fetch axe-core with")
        done = subprocess.run(
            [npm, "pack", "--silent", f"axe-core@{AXE}"],
            cwd=cache, capture_output=True, text=True, timeout=300, check=False,
        )  # fmt: skip
        if done.returncode or not archive.exists():
            pytest.skip("axe-core cannot be fetched from the npm registry here")
    found = base64.b64encode(hashlib.sha512(archive.read_bytes()).digest()).decode()
    assert found == AXE_SHA512
    with tarfile.open(archive) as tar:
        script = tar.extractfile("package/axe.min.js")
        assert script is not None
        return script.read().decode("utf-8")
