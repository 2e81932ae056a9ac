"""Pages of catalogues kept on the disk for a day, up to a limit."""

from __future__ import annotations

import contextlib
import hashlib
import os
import time
from pathlib import Path

MOST_BYTES = 200 * 2**20
"""Bytes of all pages kept; the ones used longest ago go first."""

AGE = 86_400.0
"""Seconds a page is taken for what the server would say."""


class Pages:
    """Bodies by address. A page that is damaged, or too old, is not there."""

    def __init__(self, folder: Path, most: int = MOST_BYTES, age: float = AGE) -> None:
        self._folder, self._most, self._age = folder, most, age

    def get(self, url: str) -> bytes | None:
        """The page, if it is kept."""
        path = self._path(url)
        try:
            if time.time() - path.stat().st_mtime > self._age:
                return None
            mark, body = path.read_bytes().split(b"\n", 1)
        except (OSError, ValueError):
            return None
        return body if mark.decode("ascii", "replace") == hashlib.sha256(body).hexdigest() else None

    def put(self, url: str, body: bytes) -> None:
        """Keep a page; a disk that takes none is no fault."""
        if len(body) > self._most // 4:
            return
        path = self._path(url)
        part = path.with_suffix(f".{os.getpid()}.part")
        with contextlib.suppress(OSError):
            self._folder.mkdir(parents=True, exist_ok=True)
            part.write_bytes(hashlib.sha256(body).hexdigest().encode() + b"\n" + body)
            part.replace(path)
            self._make_room()

    def _make_room(self) -> None:
        pages = sorted(self._folder.glob("*.page"), key=lambda p: p.stat().st_mtime)
        total = sum(p.stat().st_size for p in pages)
        while total > self._most:
            oldest = pages.pop(0)
            total -= oldest.stat().st_size
            oldest.unlink()

    def _path(self, url: str) -> Path:
        mark = hashlib.sha256(url.encode("utf-8", "replace")).hexdigest()
        return self._folder / f"{mark}.page"


def cache_folder() -> Path:
    """Where pages are kept for this user (XDG Base Directory Specification)."""
    home = os.environ.get("XDG_CACHE_HOME", "")
    return (Path(home) if home.startswith("/") else Path.home() / ".cache") / "lanewright" / "pages"
