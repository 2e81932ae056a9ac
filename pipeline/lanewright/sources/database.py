"""A GeoPackage as its owner last saved it, read without a change to any of the owner's files.

A viewer that is open, or was killed, leaves what was saved last in a log beside the database.
SQLite would write that log into the database when the next reader closes it, and remove the log.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import stat
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from lanewright.base.errors import InputError

MAGIC = b"SQLite format 3\0"
_LOGS = ("-wal", "-journal")
_WITH_WAL = b"\x02\x02"  # bytes 18 and 19 of a database whose changes go to a log first
_TRIES = 5


@contextmanager
def untouched(path: Path) -> Iterator[Path]:
    """The file itself; for a database with a log, a copy of both that may be written to.

    Raises
    ------
    InputError
        If it is being written to all the while.
    """
    with path.open("rb") as file:
        head = file.read(20)
    beside = [path.with_name(path.name + ending) for ending in _LOGS]
    logged = head[18:20] == _WITH_WAL or any(os.path.lexists(log) for log in beside)
    if not head.startswith(MAGIC) or not logged:
        yield path
        return
    with tempfile.TemporaryDirectory() as folder:
        for _ in range(_TRIES):
            before = _states(path, *beside)
            for file_of_it in (path, *beside):
                if file_of_it == path or before[file_of_it] is not None:
                    shutil.copyfile(file_of_it, Path(folder) / file_of_it.name)
            if _states(path, *beside) == before:
                break
            time.sleep(0.2)
        else:
            raise InputError(path, "is being written to", "Save it, and run again.")
        yield Path(folder) / path.name


def _states(*paths: Path) -> dict[Path, tuple[int, int] | None]:
    """Size and time of each; None for what is not there, or is a link, a pipe or a device."""
    found: dict[Path, tuple[int, int] | None] = {}
    for path in paths:
        try:
            said = path.stat() if path is paths[0] else path.lstat()
        except FileNotFoundError:
            said = None
        plain = said is not None and stat.S_ISREG(said.st_mode)
        found[path] = (said.st_size, said.st_mtime_ns) if said and plain else None
    return found


def query_among_layers(file: Path, *, copy: bool) -> str | None:
    """Layer of a GeoPackage that is no table: a line of SQL that may never end.

    Parameters
    ----------
    copy
        Whether it is one of `untouched`, with logs beside it; any other is left as it is.

    Raises
    ------
    sqlite3.Error, ValueError
        If it is no database that can be read.
    """
    steps = iter(range(1000))  # of a thousand instructions each, far more than a look takes
    address = f"{file.absolute().as_uri()}?mode={'rw' if copy else 'ro&immutable=1'}"
    with contextlib.closing(sqlite3.connect(address, uri=True)) as base:
        base.set_progress_handler(lambda: next(steps, None) is None, 1000)
        kept = base.execute("SELECT name, type, sql FROM sqlite_master").fetchall()
        plain = {
            str(name).lower()
            for name, kind, sql in kept
            if kind == "table" and not str(sql).upper().startswith("CREATE VIRTUAL")
        }
        named = {"gpkg_contents", "gpkg_geometry_columns"}
        if named <= plain:
            for table in sorted(named):
                rows = base.execute(f"SELECT table_name FROM {table}").fetchall()
                named |= {str(row[0]).lower() for row in rows}
    queries = sorted(named & {str(name).lower() for name, _, _ in kept} - plain)
    return queries[0] if queries else None
