"""The configuration that `get` writes, ready for `scout`, with where everything came from."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import yaml

from lanewright.base.errors import InputError
from lanewright.fetch.catalogue import Offer
from lanewright.fetch.products import Place
from lanewright.fetch.season import guess_leaves

NAME = "scout.yaml"
RECORD = "provenance.json"
WRITER = "lanewright get"


@dataclass(frozen=True)
class Got:
    """One file of the folder and where it came from.

    Attributes
    ----------
    used
        Bytes taken from the server for it.
    whole
        Bytes of the file, or tree, on the server; None where not known.
    box
        West, south, east, north in degrees that it was cut to; None if it is the whole file.
    """

    name: str
    url: str
    source: str
    kind: str
    size: int
    sha256: str
    used: int
    whole: int | None
    licence: str
    vertical: str
    box: tuple[float, float, float, float] | None


def read_record(folder: Path) -> dict[str, Got]:
    """Files that an earlier call fetched, by address.

    Raises
    ------
    InputError
        If there is a file of that name that `get` did not write.
    """
    path = folder / RECORD
    if not os.path.lexists(path):
        return {}
    try:
        said = json.loads(path.read_bytes())
        if said["written_by"] != WRITER:
            raise ValueError
        found = [Got(**entry | {"box": _box(entry["box"])}) for entry in said["files"]]
        return {got.url: got for got in found}
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        raise InputError(
            path, f"was not written by {WRITER}", "Move it away, or choose another with --into."
        ) from None


def _box(given: Sequence[float] | None) -> tuple[float, float, float, float] | None:
    if given is None:
        return None
    west, south, east, north = map(float, given)
    return west, south, east, north


def write_record(folder: Path, files: Sequence[Got]) -> None:
    """Keep what was fetched, in the order of names."""
    entries = [vars(g) for g in sorted(files, key=lambda g: g.name)]
    _write(folder / RECORD, json.dumps({"written_by": WRITER, "files": entries}, indent=1))


def write_configuration(
    folder: Path, boundary: Path, offers: Sequence[Offer], files: Sequence[Got], place: Place
) -> Path:
    """Write it beside the files, under a further name where another one is there already.

    Raises
    ------
    InputError
        If there are a hundred others.
    """
    text = configuration(folder, boundary, offers, files, place)
    for name in (NAME, *(f"scout-{n}.yaml" for n in range(2, 101))):
        path = folder / name
        if not os.path.lexists(path):
            _write(path, text)
            return path
        if path.is_file() and path.read_bytes() == text.encode("utf-8", "surrogateescape"):
            return path
    raise InputError(folder, "holds a hundred configurations", "Move away what is not needed.")


def _write(path: Path, text: str) -> None:
    """Whole or not at all; a link of that name is replaced, not followed."""
    part = path.with_name(f".{path.name}.part")
    part.unlink(missing_ok=True)
    part.write_text(text, "utf-8", "surrogateescape")
    part.replace(path)


def configuration(
    folder: Path, boundary: Path, offers: Sequence[Offer], files: Sequence[Got], place: Place
) -> str:
    """Text of the configuration."""
    lines = ["# Written by `lanewright get`. Checksums and addresses: provenance.json."]
    for offer in offers:
        one = offer.first
        flown = f"flown {offer.flown[0]} to {offer.flown[1]}" if offer.flown else "date not stated"
        state = guess_leaves(offer.flown, place.middle[1])
        lines += [
            f"# {one.kind}: {one.project} from {one.source}; {flown}",
            f"#   covers {offer.share:.0%} of the property; licence: {one.licence or 'not stated'}",
            f"#   heights, as its catalogue states: {one.vertical or 'not stated'}",
        ]
        if one.kind == "points" and state != "unknown":
            lines.append(f"#   leaves {state}, a guess by date and latitude; else set leaf_state")
        if one.form == "ept":
            lines += [
                "#   its heights are as delivered to the programme; if its report says feet, set",
                "#   crs: {vertical_unit: us-ft}",
            ]
    names = sorted((g.kind, g.name) for g in files)
    kinds = {k: [n for kind, n in names if kind == k] for k in ("points", "elevation")}
    settings: dict[str, object] = {"name": boundary.stem, "property": str(boundary.resolve())}
    settings |= {kind: names for kind, names in kinds.items() if names}
    settings |= {"leaf_state": "unknown", "out": "results"}
    return "\n".join(lines) + "\n" + yaml.safe_dump(settings, sort_keys=False, allow_unicode=True)
