"""Record of the files that runs wrote into an out folder: no other is ever replaced or removed."""

from __future__ import annotations

import contextlib
import errno
import logging
import os
import stat
from collections.abc import Iterable
from pathlib import Path
from typing import IO

from lanewright.base.errors import InputError
from lanewright.store.files import Damaged, check_value, flush, write_json
from lanewright.store.records import WrittenFiles, read_record

log = logging.getLogger(__name__)

RECORD = "written.json"
_LOGS_OF_DATABASES = ("-journal", "-wal", "-shm")
_MANY = 5


class Written:
    """What runs wrote into an out folder, by name relative to it.

    Parameters
    ----------
    out
        The out folder.
    record
        Folder within it that holds the record.
    """

    def __init__(self, out: Path, record: Path) -> None:
        self._out = out
        self._path = record / RECORD
        try:
            said = read_record(self._path, WrittenFiles)
        except Damaged as fault:
            if self._path.exists():
                log.warning("%s; no file in %s counts as ours", fault, out)
            said = WrittenFiles()
        self._logs: list[str] = said.logs
        self._files: dict[str, dict[str, str]] = said.files
        self._keys: dict[str, str] = said.keys

    def refuse_taken(self, names: Iterable[str]) -> None:
        """Make sure that a run may write files of these names.

        Raises
        ------
        InputError
            If any is taken by a file that no run wrote, or is reached through a link.
        """
        taken = [name for name in names if self._taken(name)]
        if not taken:
            return
        more = f" and {len(taken) - _MANY} more" if len(taken) > _MANY else ""
        raise InputError(
            self._out,
            f"a run needs names there that are taken by files which no earlier run wrote, or by "
            f"links: {', '.join(sorted(taken)[:_MANY])}{more}",
            "Move them elsewhere, or choose another out folder; nothing was changed. (What earlier "
            f"runs wrote is recorded in {self._path.parent.name}/{RECORD}.)",
        )

    def _taken(self, name: str) -> bool:
        path = self._out
        *folders, _last = Path(name).parts
        for folder in folders:
            path = path / folder
            if path.is_symlink() or (path.exists() and not path.is_dir()):
                return True
        path = self._out / name
        if not path.is_symlink() and not path.exists():
            return False
        ours = name in self._logs or any(name in files for files in self._files.values())
        return path.is_symlink() or not path.is_file() or not ours

    def stands(self, folder: str, key: str) -> bool:
        """Whether the files of that key are all in a folder of the out folder, as written."""
        if self._keys.get(folder) != key:
            return False
        try:
            files = self._files[folder].items()
            return all(check_value(self._out / name) == value for name, value in files)
        except Damaged:
            return False

    def publish(self, folder: str, key: str, beside: Path) -> None:
        """Move every file from `beside` into a folder of the out folder; older ones of ours go.

        Parameters
        ----------
        folder
            Relative to the out folder; `.` for itself.
        key
            Of what the files were made from.

        Raises
        ------
        InputError
            If a name is taken by a file that no run wrote; nothing is moved then.
        """
        made = {
            str(Path(folder) / p.relative_to(beside)): p for p in beside.rglob("*") if p.is_file()
        }
        self.refuse_taken(made)
        earlier = self._files.get(folder, {})
        sums = {name: check_value(path) for name, path in made.items()}
        for path in made.values():
            flush(path)
        # Named before they are moved: killed in between, the next run knows them for ours.
        self._keys.pop(folder, None)
        self._files[folder] = earlier | sums
        self._write()
        for name, path in sorted(made.items()):
            target = self._out / name
            target.parent.mkdir(parents=True, exist_ok=True)
            if name in earlier:
                _remove_database_logs(target)
            path.replace(target)
        for name in earlier.keys() - made.keys():
            self._remove(name, earlier[name])
        for parent in {(self._out / name).parent for name in made}:
            flush(parent)
        self._keys[folder], self._files[folder] = key, sums
        self._write()

    def open_log(self, name: str) -> IO[str]:
        """Open a log of ours to go on writing it.

        Raises
        ------
        InputError
            If that name is taken by a file that no run wrote, or by a link.
        """
        self.refuse_taken([name])
        path = self._out / name
        if name not in self._logs:
            self._logs.append(name)
            self._write()
        return os.fdopen(open_unlinked(path, os.O_WRONLY | os.O_APPEND), "a", encoding="utf-8")

    def _remove(self, name: str, wanted: str) -> None:
        """Remove a file that is no longer made, unless somebody changed it since."""
        path = self._out / name
        with contextlib.suppress(Damaged, OSError):
            if self._taken(name) or check_value(path) != wanted:
                log.info("%s is no longer made but was changed since, so it is left", path)
                return
            path.unlink()

    def _write(self) -> None:
        write_json(self._path, {"files": self._files, "keys": self._keys, "logs": self._logs})


def _remove_database_logs(database: Path) -> None:
    """Remove what a viewer left beside our database: it would be replayed into the new one."""
    if database.suffix != ".gpkg":
        return
    for ending in _LOGS_OF_DATABASES:
        database.with_name(database.name + ending).unlink(missing_ok=True)


def open_unlinked(path: Path, flags: int) -> int:
    """Open a file for writing, or make it; never through a link, never a pipe or a device.

    Raises
    ------
    InputError
        If something else has that name.
    """
    safe = os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
    try:
        handle = os.open(path, flags | safe, 0o644)
    except OSError as err:
        if err.errno not in (errno.ELOOP, errno.EISDIR, errno.ENXIO):
            raise
        raise _not_ours(path) from None
    found = os.fstat(handle)
    if not stat.S_ISREG(found.st_mode) or found.st_nlink > 1:
        os.close(handle)
        raise _not_ours(path)
    return handle


def _not_ours(path: Path) -> InputError:
    return InputError(
        path, "is a link, or no plain file", "Remove it, or choose another out folder."
    )
