"""The configuration that `get` writes, ready for `scout`, with where everything came from."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import yaml

from lanewright.fetch.catalogue import Offer
from lanewright.fetch.products import Place
from lanewright.fetch.season import guess_leaves

NAME = "scout.yaml"
RECORD = "provenance.json"


@dataclass(frozen=True)
class Got:
    """One file of the folder and where it came from.

    Attributes
    ----------
    used
        Bytes taken from the server for it.
    whole
        Bytes of the file, or tree, on the server; None where not known.
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


def read_record(folder: Path) -> dict[str, Got]:
    """Files that an earlier call fetched, by address; damaged records are forgotten."""
    try:
        said = json.loads((folder / RECORD).read_text("utf-8"))
        return {entry["url"]: Got(**entry) for entry in said["files"]}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def write_record(folder: Path, files: Sequence[Got]) -> None:
    """Keep what was fetched, in the order of names."""
    entries = [vars(g) for g in sorted(files, key=lambda g: g.name)]
    part = folder / f".{RECORD}.part"
    part.write_text(json.dumps({"files": entries}, indent=1), "utf-8")
    part.replace(folder / RECORD)


def write_configuration(
    folder: Path, boundary: Path, offers: Sequence[Offer], files: Sequence[Got], place: Place
) -> Path:
    """Write it beside the files; where one was changed by hand, as `scout.new.yaml`."""
    text = configuration(folder, boundary, offers, files, place)
    path = folder / NAME
    if path.exists() and path.read_text("utf-8") != text:
        path = folder / "scout.new.yaml"
    path.write_text(text, "utf-8")
    return path


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
