"""Whole files: resumed where a try broke off, checked, and named only when they are whole."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from urllib3.response import BaseHTTPResponse

from lanewright.base.errors import InputError
from lanewright.fetch.address import ELSEWHERE
from lanewright.fetch.client import CHUNK, Client, Unreliable, gave_up, refusal

MAGIC = {".laz": (b"LASF",), ".tif": (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")}
"""First bytes of LAS and LAZ (LAS 1.4 R16), of TIFF 6.0 and BigTIFF."""

MOST_TRIES = 100
"""Tries of one file, however often some of them get further (ours)."""


@dataclass(frozen=True)
class Expected:
    """What a catalogue says of a file; None where it does not.

    Attributes
    ----------
    limit
        Bytes that the file may have at most.
    """

    limit: int
    size: int | None = None
    sha256: str | None = None


@dataclass(frozen=True)
class Fetched:
    """A file as it lies on the disk."""

    size: int
    sha256: str


def digest(path: Path) -> Fetched:
    """Size and SHA-256 of a file."""
    found, size = hashlib.sha256(), 0
    with path.open("rb") as file:
        while part := file.read(2**20):
            found.update(part)
            size += len(part)
    return Fetched(size, found.hexdigest())


def download(
    client: Client,
    url: str,
    path: Path,
    expected: Expected,
    progress: Callable[[int], None] = lambda _bytes: None,
) -> Fetched:
    """Fetch a file; what an earlier call left half done is taken up.

    Parameters
    ----------
    progress
        Called with the bytes that are there, after each part.

    Raises
    ------
    InputError
        If it cannot be had, or is not what was expected; nothing is then left at `path`.
    """
    part = path.with_name(f".{path.name}.part")
    kept = 0
    for attempt in range(1, MOST_TRIES + 1):
        before = part.stat().st_size if part.exists() else 0
        try:
            _go_on(client, url, part, expected, progress)
            break
        except Unreliable as err:
            now = part.stat().st_size if part.exists() else 0
            kept = 0 if now > before else kept + 1
            if kept >= client.manners.attempts or attempt == MOST_TRIES:
                raise gave_up(url, err) from None
            client.wait(max(kept, 1), err.wait)
    found = digest(part)
    problem = _unlike(path, part, expected, found)
    if problem:
        _forget(part)
        raise InputError(url[:200], problem, f"Try again. {ELSEWHERE}")
    with part.open("rb") as file:
        os.fsync(file.fileno())
    part.replace(path)
    _forget(part)
    return found


def _go_on(
    client: Client, url: str, part: Path, expected: Expected, progress: Callable[[int], None]
) -> None:
    """One try: append to the part if the server still has the same file, else begin again."""
    tag = _tag_of(part, url)
    start = part.stat().st_size if tag else 0
    headers = {"Range": f"bytes={start}-", "If-Range": tag} if tag and start else {}
    with client.answer(url, headers) as response:
        if response.status == 416:
            _forget(part)
            raise Unreliable("no longer has the part that is missing")
        if response.status == 206:
            if not headers or content_range(response)[0] != start:
                _forget(part)
                raise Unreliable("sent another part than was asked for")
        elif response.status == 200:
            start = 0
        else:
            raise refusal(url, response.status)
        if start == 0:
            _note(part, url, response)
        with part.open("r+b" if start else "wb") as file:
            file.seek(start)
            for piece in client.body(response, url, expected.limit - start):
                if file.tell() == 0:
                    _like_its_kind(url, part, piece)
                file.write(piece)
                progress(file.tell())


def content_range(response: BaseHTTPResponse) -> tuple[int, int, int]:
    """First byte, last byte and size of the whole that a partial answer states.

    Raises
    ------
    Unreliable
        If it states none.
    """
    stated = response.headers.get("Content-Range", "")
    found = re.fullmatch(r"bytes ([0-9]{1,18})-([0-9]{1,18})/([0-9]{1,18})", stated)
    if found is None:
        raise Unreliable("does not say which part it sent")
    return int(found[1]), int(found[2]), int(found[3])


def strong_tag(response: BaseHTTPResponse) -> str | None:
    """What is the same only for the same bytes of a file; None where a server states no such.

    A strong ETag; without any ETag the time it was changed. A weak one promises nothing of bytes,
    so no part may be joined by it (RFC 9110, 13.1.5).
    """
    tag = response.headers.get("ETag")
    if tag is None:
        return response.headers.get("Last-Modified")
    return None if tag.startswith("W/") else tag


def state_tag(response: BaseHTTPResponse) -> str | None:
    """What differs once a file has changed, even if it is no proof that it has not."""
    return strong_tag(response) or response.headers.get("Last-Modified")


def _like_its_kind(url: str, part: Path, head: bytes) -> None:
    """Refuse at the first bytes what cannot be the file: mostly a page that says sorry."""
    wanted = MAGIC[Path(part.stem).suffix]
    if len(head) >= 4 and not head.startswith(wanted):
        raise InputError(url[:200], f"holds {_looks_like(head)}", "Look at the source.")


def _looks_like(head: bytes) -> str:
    web = head.lstrip()[:1] == b"<"
    return "a web page instead of the file" if web else "something else than its name says"


def _unlike(path: Path, part: Path, expected: Expected, found: Fetched) -> str:
    with part.open("rb") as file:
        head = file.read(CHUNK)
    if not head.startswith(MAGIC[path.suffix]):
        return f"holds {_looks_like(head)}"
    if expected.size is not None and found.size != expected.size:
        return f"has {found.size:,} bytes where the catalogue says {expected.size:,}"
    if expected.sha256 is not None and found.sha256 != expected.sha256.lower():
        return "is not the file that the catalogue names: its checksum differs"
    return ""


def _note(part: Path, url: str, response: BaseHTTPResponse) -> None:
    tag = strong_tag(response)
    note = _note_of(part)
    if tag is None:
        note.unlink(missing_ok=True)
    else:
        note.write_text(json.dumps({"url": url.partition("?")[0], "tag": tag}), "utf-8")


def _tag_of(part: Path, url: str) -> str | None:
    """Tag of the file that a part is from; None if there is no part of it."""
    if not part.exists():
        return None
    try:
        said = json.loads(_note_of(part).read_text("utf-8"))
        same = said["url"] == url.partition("?")[0]  # what follows may be a signature
        return str(said["tag"]) if same else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _note_of(part: Path) -> Path:
    return part.with_name(f"{part.name}.json")


def _forget(part: Path) -> None:
    for path in (part, _note_of(part)):
        with contextlib.suppress(FileNotFoundError):
            path.unlink()
