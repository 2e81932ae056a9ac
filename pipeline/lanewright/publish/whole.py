"""Files that appear under their final name only when whole."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pyogrio.errors
import rasterio.errors

from lanewright.base.errors import InputError

# Errors of the libraries that write; when the disk is at fault they seldom say so.
_WRITERS = (
    sqlite3.Error,
    pyogrio.errors.DataSourceError,
    pyogrio.errors.DataLayerError,
    pyogrio.errors.FeatureError,
    rasterio.errors.RasterioError,
)
_LITTLE = 64_000_000  # bytes; a disk with less to spare is taken for full once writing fails
_PROBE = 1_000_000


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
    except OSError as err:
        raise _cannot_write(path, err) from err
    except _WRITERS as err:
        fault = _disk_fault(part)
        if fault is None:
            raise
        raise _cannot_write(path, fault) from err
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
            _remove_logs(part)


def _remove_logs(database: Path) -> None:
    for ending in ("-journal", "-wal", "-shm"):
        database.with_name(database.name + ending).unlink(missing_ok=True)


def _disk_fault(part: Path) -> OSError | None:
    """What keeps us from writing a little more than was written, if anything does."""
    try:
        if shutil.disk_usage(part.parent).free < _LITTLE:
            return OSError(0, "little space is left on the disk")
        with part.open("ab") as file:
            file.write(bytes(_PROBE))
    except OSError as err:
        return err
    return None


def _cannot_write(path: Path, err: OSError) -> InputError:
    return InputError(
        path,
        f"cannot be written ({err.strerror or ' '.join(str(err).split())[:200]})",
        "Free space on the disk, close programs that hold the file open, or set another `out`.",
    )
