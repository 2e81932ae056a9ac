"""Which result folders are ours, and which of them the last runs used; the others go."""

from __future__ import annotations

import contextlib
import logging
import secrets
import shutil
from pathlib import Path

from lanewright.base.errors import InputError
from lanewright.store.files import Damaged, flush, write_json
from lanewright.store.records import Results, read_record
from lanewright.store.result import MANIFEST, manifest

log = logging.getLogger(__name__)

RECORD = "results.json"


class Shelf:
    """The folder of results, with a record of every folder made in it.

    Only folders of the record are ever removed, and in them only the files that were written. Of
    each kind of run (`whole`, or `own` for the designer's own lines alone) the results of the last
    one are kept, and what those refer to.

    Parameters
    ----------
    folder
        Where results are kept.
    run
        Kind of this run.
    """

    def __init__(self, folder: Path, run: str) -> None:
        self.folder = folder
        self._run = run
        try:
            said = read_record(folder / RECORD, Results)
        except Damaged as fault:
            if (folder / RECORD).exists():
                log.warning("%s; stored results without a record are left where they are", fault)
            said = Results()
        self._files: dict[str, list[str]] = said.folders
        self._last: dict[str, dict[str, str]] = said.last

    def begin(self, name: str) -> Path:
        """Make a folder in which the result of that name is put together."""
        part = self.folder / f"{name}.{secrets.token_hex(4)}.part"
        self._files[part.name] = []
        self._write()
        part.mkdir(parents=True)
        return part

    def drop(self, part: Path) -> None:
        """Remove a folder of `begin`; every file in it was made since."""
        shutil.rmtree(part, ignore_errors=True)
        self._files.pop(part.name, None)
        with contextlib.suppress(OSError):  # the disk may be full; the record then names too much
            self._write()

    def finish(self, part: Path, name: str, files: list[str]) -> Path:
        """Give a whole result its name; an earlier one of that name goes.

        Raises
        ------
        InputError
            If something that is not ours has that name.
        """
        flush(part)
        place = self.folder / name
        self._remove(name)
        if place.is_symlink() or place.exists():
            raise InputError(
                place, "is no result of ours but has the name of one", "Move it elsewhere."
            )
        self._files[name] = files
        self._write()
        part.rename(place)
        flush(self.folder)
        self._files.pop(part.name, None)
        self._write()
        return place

    def use(self, stage: str, name: str) -> None:
        """Note that this kind of run now uses that result, and remove what no run uses."""
        mine = self._last.setdefault(self._run, {})
        if name not in self._files:  # the record was lost; a sound manifest is as good
            self._files[name] = [*manifest(self.folder / name).files, MANIFEST]
        if mine.get(stage) != name:
            mine[stage] = name
            self._write()
        wanted = {folder for last in self._last.values() for folder in last.values()}
        near = wanted
        while near:  # not by recursion: a planted result may refer to itself
            near = set().union(*map(self._used_by, near)) - wanted
            wanted |= near
        stale = [folder for folder in self._files if folder not in wanted]
        for folder in stale:
            self._remove(folder)
            self._files.pop(folder, None)
        if stale:
            self._write()

    def last(self, stage: str) -> Path | None:
        """Folder of the result that the last run of this kind used; None if there was none."""
        name = self._last.get(self._run, {}).get(stage)
        return None if name is None else self.folder / name

    def _used_by(self, name: str) -> set[str]:
        """Earlier results that a result refers to itself."""
        try:
            return set(manifest(self.folder / name).uses)
        except Damaged:
            return set()

    def _remove(self, name: str) -> None:
        folder = self.folder / name
        if folder.is_symlink() or name not in self._files:
            return
        if name.endswith(".part"):
            shutil.rmtree(folder, ignore_errors=True)
            return
        with contextlib.suppress(OSError):
            for file in reversed(self._files[name]):  # the manifest first
                if (folder / file).parent.resolve().is_relative_to(folder.resolve()):
                    (folder / file).unlink(missing_ok=True)
            folder.rmdir()  # fails, and is left, where somebody put a file of their own

    def _write(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        write_json(self.folder / RECORD, {"folders": self._files, "last": self._last})
