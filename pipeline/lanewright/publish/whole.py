"""Files that appear under their final name only when whole."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from lanewright.errors import InputError

# What SQLite and GDAL say, inside messages of their own, when the disk is at fault and not we.
_DISK_FAULTS = (
    "database or disk is full",
    "disk i/o error",
    "readonly database",
    "unable to open database file",
    "no space left",
    "permission denied",
    "file too large",
    "write error",
)


@contextmanager
def beside(path: Path) -> Iterator[Path]:
    """Give a name beside `path` to write to; what is written there becomes `path` at the end.

    On an error nothing stays behind and an earlier `path` is left as it was.

    Raises
    ------
    InputError
        If the folder does not let us write, the disk is full, or the file is held open.
    """
    part = path.with_name(f".{path.stem}.{os.getpid()}.part{path.suffix}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield part
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        # A log that a viewer left beside the old database would be replayed into the new one.
        _remove_logs(path)
        part.replace(path)
    except InputError:
        raise
    except Exception as err:
        if isinstance(err, OSError) or _blames_disk(err):
            raise InputError(
                path,
                f"cannot be written ({_reason(err)})",
                "Free space on the disk, close programs that hold the file open, or set another "
                "`out`.",
            ) from err
        raise
    finally:
        part.unlink(missing_ok=True)
        _remove_logs(part)


def _remove_logs(database: Path) -> None:
    for ending in ("-journal", "-wal", "-shm"):
        database.with_name(database.name + ending).unlink(missing_ok=True)


def _blames_disk(err: Exception) -> bool:
    """Whether the message, or one of those it stems from, is about the disk."""
    seen: BaseException | None = err
    while seen is not None:
        text = str(seen).lower()
        if any(fault in text for fault in _DISK_FAULTS):
            return True
        seen = seen.__cause__ or seen.__context__
    return False


def _reason(err: Exception) -> str:
    text = err.strerror if isinstance(err, OSError) and err.strerror else str(err)
    return " ".join(text.split())[:200].rstrip(".")
