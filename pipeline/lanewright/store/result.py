"""One stored result: a folder with its structure, its files, and a manifest that names them all."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path

from lanewright.store.files import Damaged, check_value, flush, write_json
from lanewright.store.form import Place, Reader, Writer
from lanewright.store.records import Manifest, read_record

MANIFEST = "manifest.json"
STRUCTURE = "result.json"


def save(
    result: object,
    folder: Path,
    classes: Mapping[str, type],
    known: Callable[[object], Place | None],
) -> list[str]:
    """Write a result into a folder, beside what the stage left there itself.

    Every file is on the disk before the manifest names it.

    Parameters
    ----------
    classes, known
        As `form.Writer` takes them.

    Returns
    -------
    list of str
        Names of all files, the manifest last.
    """
    writer = Writer(folder, classes, known)
    structure = json.dumps(writer.form(result), ensure_ascii=False)
    (folder / STRUCTURE).write_text(structure, encoding="utf-8")
    names = sorted(str(p.relative_to(folder)) for p in folder.rglob("*") if not p.is_dir())
    files = {}
    for name in names:
        flush(folder / name)
        files[name] = {"bytes": (folder / name).stat().st_size, "crc32": check_value(folder / name)}
    write_json(folder / MANIFEST, {"files": files, "uses": sorted(writer.uses)})
    return [*names, MANIFEST]


def load(
    folder: Path,
    classes: Mapping[str, type],
    stored: Callable[[Place], object],
    *,
    check: bool = True,
) -> object:
    """Read a result back; arrays are memory-mapped and read-only.

    Parameters
    ----------
    classes, stored
        As `form.Reader` takes them.
    check
        Whether every file is held against its checksum first; not needed for what this process
        has just written.

    Raises
    ------
    Damaged
        If anything is not as it was written, whatever the reason.
    """
    files = manifest(folder).files
    for name, said in files.items() if check else ():
        path = folder / name
        if path.is_symlink() or not path.is_file() or path.stat().st_size != said.bytes:
            raise Damaged(f"{name} is missing or cut short")
        if check_value(path) != said.crc32:
            raise Damaged(f"{name} is not as it was written")
    try:
        form = json.loads((folder / STRUCTURE).read_text(encoding="utf-8"))
        return Reader(folder, classes, stored).value(form)
    except Damaged:
        raise
    except Exception as err:
        # Its fields may have changed since, or a planted file fits its own checksum only.
        if not check:
            raise
        raise Damaged(f"it cannot be read ({type(err).__name__}: {err})") from err


def manifest(folder: Path) -> Manifest:
    """Manifest of a stored result: its `files`, and the earlier results that it `uses`.

    Raises
    ------
    Damaged
        If it is missing or damaged.
    """
    return read_record(folder / MANIFEST, Manifest)
