"""Files as they were when the run was planned: a later change is noticed at the first byte read."""

from __future__ import annotations

import hashlib
import io
import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from fnmatch import fnmatchcase
from itertools import count, islice
from pathlib import Path
from typing import IO

from lanewright.base.errors import Faults, InputError
from lanewright.base.text import is_text

BLOCK = 2**20
"""Bytes that are verified at a time."""

_SIZE = 16  # bytes of a digest


@dataclass(frozen=True)
class Fingerprint:
    """Content of a file: BLAKE2b of the whole for people and keys, of each block for readers.

    Attributes
    ----------
    size
        Bytes.
    whole
        Digest of 128 bits as hexadecimal digits.
    blocks
        Digests of 128 bits of each 2^20 bytes, joined.
    """

    size: int
    whole: str
    blocks: bytes


def fingerprint(path: Path) -> Fingerprint:
    """Fingerprint of a file as it is now.

    Raises
    ------
    InputError
        If it cannot be read.
    """
    whole, blocks, size = _digest(), [], 0
    try:
        with path.open("rb") as file:
            while block := file.read(BLOCK):
                whole.update(block)
                blocks.append(_digest(block).digest())
                size += len(block)
    except OSError as err:
        raise InputError(path, f"cannot be read ({err.strerror})", "Check the path.") from None
    return Fingerprint(size, whole.hexdigest(), b"".join(blocks))


def checksum(path: Path) -> str:
    """BLAKE2b of a file's content, 128 bits as hexadecimal digits."""
    return fingerprint(path).whole


def _digest(data: bytes = b"") -> hashlib.blake2b:
    return hashlib.blake2b(data, digest_size=_SIZE)


def token(content: Fingerprint) -> str:
    """What stands for a file in texts that are stored: its name may change, its content not."""
    return f"<{content.whole}>"


def with_names(text: str, contents: Mapping[Path, Fingerprint]) -> str:
    """The text with files called by their names."""
    for path, content in contents.items():
        text = text.replace(token(content), str(path))
    return text


def changed(path: Path) -> InputError:
    """What to report of a file that is no longer what it was."""
    return InputError(
        path,
        "changed while the run was reading it",
        "Let no other program write to it, and start the run again.",
    )


class PlacedFile(io.RawIOBase):
    """An open file of known size whose bytes come from elsewhere: keeps the place of the next."""

    def __init__(self, size: int) -> None:
        super().__init__()
        self._size = size
        self._at = 0

    def readable(self) -> bool:
        """Always."""
        return True

    def seekable(self) -> bool:
        """Always."""
        return True

    def tell(self) -> int:
        """Place of the next byte."""
        return self._at

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Move to a place, as files do."""
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self._size}[whence]
        self._at = base + offset if base + offset >= 0 else self._before_start()
        return self._at

    def _before_start(self) -> int:
        raise OSError("place before the start of the file")


class CheckedFile(PlacedFile):
    """A file open for reading that hands out only bytes that belong to a fingerprint.

    Attributes
    ----------
    changed
        A block, or the size, differed. Libraries between this and the run may hide the error that
        is raised then, so whoever opened the file asks here.

    Raises
    ------
    InputError
        From every read of a block that is not what it was.
    """

    def __init__(self, path: Path, content: Fingerprint) -> None:
        super().__init__(content.size)
        self.path = path
        self.changed = False
        self._content = content
        self._file = path.open("rb", buffering=0)
        self._number = -1
        self._block = b""

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        """Read at most to the end of a block."""
        number, start = divmod(self._at, BLOCK)
        if self._at >= self._content.size:
            return 0
        if number != self._number:
            self._load(number)
        part = self._block[start : start + len(buffer)]
        buffer[: len(part)] = part
        self._at += len(part)
        return len(part)

    def _load(self, number: int) -> None:
        self._file.seek(number * BLOCK)
        block = b""
        while len(block) < BLOCK and (more := self._file.read(BLOCK - len(block))):
            block += more
        expected = self._content.blocks[number * _SIZE : (number + 1) * _SIZE]
        if _digest(block).digest() != expected:
            self.changed = True
            raise changed(self.path)
        self._number, self._block = number, block

    def close(self) -> None:
        """Close the file."""
        self._file.close()
        super().close()


def open_checked(path: Path, content: Fingerprint) -> IO[bytes]:
    """The file open for reading, held against its fingerprint."""
    return io.BufferedReader(CheckedFile(path, content))


@contextmanager
def verified_copy(path: Path, content: Fingerprint) -> Iterator[Path]:
    """A copy that is what its fingerprint says, for libraries that open files by themselves.

    Raises
    ------
    InputError
        If the file is no longer what it was.
    """
    try:
        source = open_checked(path, content)
    except OSError:
        raise changed(path) from None
    with source, tempfile.NamedTemporaryFile(suffix=path.suffix) as copy:
        shutil.copyfileobj(source, copy, BLOCK)
        copy.flush()
        yield Path(copy.name)


def expand(
    patterns: tuple[str, ...], key: str, faults: Faults, results: frozenset[Path] = frozenset()
) -> list[Path]:
    """Files that the patterns name, each once, sorted.

    A part of a path that exists as it stands is that file or folder, brackets and all; only what
    does not is taken for a pattern. `**` stands for any folders, links to folders not followed.

    Parameters
    ----------
    results
        What an earlier run made (resolved), which `**` must not feed to the next.
    """
    found: set[Path] = set()
    for pattern in patterns:
        looked = count()
        matches = set(islice(_matches(Path(pattern), looked), MOST_FILES))
        if matches != {Path(pattern)}:
            matches = {m for m in matches if m.resolve() not in results}
        if not matches:
            said, remedy = f"no file matches this pattern under {key}", "Check the path."
            if next(looked) > MOST_LOOKED_AT:
                said += f" among the first {MOST_LOOKED_AT:,} looked at"
                remedy = "Name the folder that holds them."
            faults.found.append(InputError(pattern, said, remedy))
        for odd in [m for m in matches if m.exists() and not (m.is_file() or m.is_dir())]:
            matches.remove(odd)  # a pipe would be waited for
            faults.found.append(InputError(odd, "is not a file", "Name the file itself."))
        for odd in [m for m in matches if not is_text(m)]:
            matches.remove(odd)
            faults.found.append(InputError(odd, "has a name that is no UTF-8", "Rename it."))
        found.update(m.resolve() for m in matches)
    return sorted(found)


MOST_FILES = 5_000
"""Files that one pattern may name; further ones are not looked for."""

MOST_LOOKED_AT = 1_000_000
"""Names that are held against one pattern; `/**/*.laz` would go through every disk."""

DEEPEST = 200
"""Folders within one another that are looked into."""


def _matches(pattern: Path, looked: Iterator[int]) -> Iterator[Path]:
    """What a pattern names; a part that exists as it stands is no pattern."""
    known = Path(pattern.anchor)
    parts = pattern.parts[1 if pattern.anchor else 0 :]
    for number, part in enumerate(parts):
        try:
            exists = (known / part).exists()
        except (OSError, ValueError):  # a name too long, or one with a NUL
            return
        if not exists:
            yield from _below(known, _without_repeats(parts[number:]), looked)
            return
        known /= part
    yield known


def _without_repeats(parts: tuple[str, ...]) -> list[str]:
    """Parts of a pattern, where `**/**` says no more than `**`; at the end that is any file."""
    kept = [p for n, p in enumerate(parts) if not n or p != "**" or parts[n - 1] != "**"]
    return [*kept, "*"] if kept[-1] == "**" else kept


def _below(folder: Path, parts: list[str], looked: Iterator[int]) -> Iterator[Path]:
    """What a pattern names in a folder: as Python's `glob`, but bounded and without links in `**`.

    A name that begins with a dot is matched only by a pattern that does.
    """
    first, *rest = parts
    if not any(sign in first for sign in "*?["):
        if (known := folder / first).exists():
            yield from _below(known, rest, looked) if rest else [known]
        return
    if first == "**":
        yield from _below(folder, rest, looked)
    try:
        entries = sorted(os.scandir(folder), key=lambda entry: entry.name)
    except OSError:  # no folder, or one that may not be read
        return
    for entry in entries:
        if next(looked) > MOST_LOOKED_AT or len(folder.parts) > DEEPEST:
            return
        if first == "**":
            if entry.is_dir(follow_symlinks=False) and not entry.name.startswith("."):
                yield from _below(Path(entry.path), parts, looked)
        elif fnmatchcase(entry.name, first) and entry.name.startswith(".") <= (first[0] == "."):
            yield from _below(Path(entry.path), rest, looked) if rest else [Path(entry.path)]
