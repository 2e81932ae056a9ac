"""Parts of a file on a server, and the same as a file that can be read at any place."""

from __future__ import annotations

from collections.abc import Iterable

from lanewright.base.errors import InputError
from lanewright.fetch.client import Client, Unreliable, refusal
from lanewright.fetch.download import content_range, state_tag
from lanewright.sources.files import PlacedFile

BLOCK = 2**14
"""Bytes that a file is read by; most headers and directories fit into a few."""

GAP = 2**14
"""Bytes between two wanted parts that are read along, to save a request."""

MOST = 2**31
"""Bytes read of one file at most (ours)."""

MOST_RANGE = 2**24
"""Bytes that parts are put together up to (ours): as much is held in memory at a time."""


class NoRanges(InputError):  # noqa: N818 - an InputError that callers may answer
    """The server sends whole files only."""

    def __init__(self, url: str) -> None:
        super().__init__(url[:200], "its server sends whole files only", "Fetch it whole.")


class Remote:
    """A file on a server, read in parts; it must stay the same while it is read.

    Attributes
    ----------
    size
        Bytes of the whole file.
    used
        Bytes read so far.
    fault
        Why the last read failed; libraries in between may lose what was raised.
    """

    def __init__(self, client: Client, url: str) -> None:
        self._client, self._url = client, url
        self._tag: str | None = None
        self.size = 0
        self.used = 0
        self.fault: InputError | None = None
        self._head = self._ask(0, BLOCK, first=True)

    def read(self, start: int, length: int) -> bytes:
        """Bytes of the file from `start` on; fewer at its end.

        Raises
        ------
        InputError
            If they cannot be had, or the file changed.
        NoRanges
            If the server ignores ranges.
        """
        length = max(0, min(length, self.size - start))
        if start + length <= len(self._head):
            return self._head[start : start + length]
        return self._ask(start, length) if length else b""

    def _ask(self, start: int, length: int, first: bool = False) -> bytes:
        if self.used + length > MOST:
            raise InputError(
                self._url[:200],
                f"more than {MOST:,} bytes of it are asked for",
                "Draw a smaller boundary.",
            )
        try:
            found = self._client.patiently(self._url, lambda: self._once(start, length, first))
        except InputError as err:
            self.fault = err
            raise
        self.used += len(found)
        return found

    def _once(self, start: int, length: int, first: bool) -> bytes:
        headers = {"Range": f"bytes={start}-{start + length - 1}"}
        with self._client.answer(self._url, headers) as response:
            if response.status == 200:
                raise NoRanges(self._url)
            if response.status != 206:
                raise refusal(self._url, response.status)
            low, high, size = content_range(response)
            tag = state_tag(response)
            if not first and (size != self.size or tag not in (None, self._tag)):
                raise InputError(
                    self._url[:200],
                    "changed on its server while it was read",
                    "Run the command again.",
                )
            wanted = min(start + length, size) - start
            if low != start or high - low + 1 != wanted:
                raise Unreliable("sent another part than was asked for")
            body = b"".join(self._client.body(response, self._url, wanted))
        if len(body) != wanted:
            raise Unreliable(f"sent {len(body):,} of {wanted:,} bytes")
        if first:
            self.size, self._tag = size, tag
        return body


def joined(
    parts: Iterable[tuple[int, int]], gap: int = GAP, most: int = MOST_RANGE
) -> list[tuple[int, int]]:
    """Parts (start, length) put together where little lies between them, in order.

    Parameters
    ----------
    most
        Length of what is put together at most; a part that is longer by itself stays alone.

    Examples
    --------
    >>> joined([(100, 10), (0, 10), (12, 5)], gap=4)
    [(0, 17), (100, 10)]
    """
    found: list[tuple[int, int]] = []
    for start, length in sorted(parts):
        if found:
            first, before = found[-1]
            together = max(before, start + length - first)
            if start <= first + before + gap and together <= most:
                found[-1] = (first, together)
                continue
        found.append((start, length))
    return found


class RangeFile(PlacedFile):
    """A remote file as an open file; blocks that were read are kept."""

    def __init__(self, remote: Remote) -> None:
        super().__init__(remote.size)
        self._remote = remote
        self._blocks: dict[int, bytes] = {}

    def _before_start(self) -> int:
        return 0

    def read(self, size: int = -1) -> bytes:
        """The next bytes; what is missing of them is asked for in one request."""
        end = self._remote.size if size < 0 else min(self._at + size, self._remote.size)
        if end <= self._at:
            return b""
        first, last = self._at // BLOCK, (end - 1) // BLOCK
        missing = [(b * BLOCK, BLOCK) for b in range(first, last + 1) if b not in self._blocks]
        for start, length in joined(missing, 0):
            got = self._remote.read(start, length)
            for at in range(0, len(got), BLOCK):
                self._blocks[(start + at) // BLOCK] = got[at : at + BLOCK]
        whole = b"".join(self._blocks[b] for b in range(first, last + 1))
        found = whole[self._at - first * BLOCK : end - first * BLOCK]
        self._at = end
        return found

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        """Fill a buffer with the next bytes."""
        found = self.read(len(buffer))
        buffer[: len(found)] = found
        return len(found)
