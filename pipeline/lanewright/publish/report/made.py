"""How the page was made: inputs, dates, density, assumptions, versions, sources of figures."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from pydantic import BaseModel

from lanewright.legs.contacts import LEAF_FACTOR
from lanewright.publish.findings import Findings
from lanewright.publish.report.words import Units, number
from lanewright.publish.scoring import MODEL
from lanewright.settings.levels import Level, levels_named


@dataclass(frozen=True)
class Made:
    """What the run rested on.

    Attributes
    ----------
    inputs
        Name, role, reference, units, size and checksum of each file.
    facts
        Label and value: dates, density, reference, cells.
    assumed
        What was taken to be so though no file says it.
    settings
        Section, key, value, what it means with its source, and whether it is the default.
    levels
        Who plays.
    versions
        Of the programs.
    """

    inputs: tuple[dict[str, str], ...]
    facts: tuple[tuple[str, str], ...]
    assumed: tuple[str, ...]
    settings: tuple[tuple[str, str, str, str, bool], ...]
    levels: tuple[Level, ...]
    versions: tuple[tuple[str, str], ...]


def how_made(found: Findings, units: Units) -> Made:
    """Gather it."""
    summary = found.summary
    inputs = []
    for file in summary.get("inputs", ()):
        inputs.append(
            {
                "name": str(file["path"]).rsplit("/", 1)[-1],
                "role": str(file["role"]),
                "crs": str(file["crs"] or "not stated"),
                "units": ", ".join(
                    f"{what} {unit}"
                    for what, unit in (
                        ("across", file.get("horizontal_unit")),
                        ("up", file.get("vertical_unit")),
                    )
                    if unit
                ),
                "size": f"{number(file['bytes'] / 1e6, 1)} MB",
                "checksum": str(file["checksum"]).split(":")[-1][:12],
                "assumed": "; ".join(file.get("assumed") or ()),
            }
        )
    assumed = [str(text) for text in summary.get("assumed", ())]
    assumed += [
        "Par and length tables are our default unless the settings name another.",
        "Clear rates come from a flight model and contact densities read off lidar; they have not "
        "been tried on this land.",
        _leaf_assumption(found),
        MODEL,
    ]
    return Made(
        tuple(inputs),
        tuple(_facts(found, units)),
        tuple(filter(None, assumed)),
        tuple(_settings(found.config)),
        levels_named(found.config.levels, found.config.flight.levels_file),
        tuple((k, str(v)) for k, v in summary.get("versions", {}).items()),
    )


def _leaf_assumption(found: Findings) -> str:
    if found.columns is None:
        return ""
    wood = found.config.legs.throw.wood
    if found.config.leaf_state == "on":
        return "The survey was flown in leaf; rates in leaf are those surveyed."
    return (
        f"In leaf, contacts with vegetation are taken times {LEAF_FACTOR[wood]:g} of those "
        f"surveyed, for {wood} woods; ours, from published ratios of leaf and wood area."
    )


def _facts(found: Findings, units: Units) -> Iterator[tuple[str, str]]:
    summary = found.summary
    ingest = summary.get("findings", {}).get("ingest", {})
    ground = summary.get("findings", {}).get("ground", {})
    flown = [d for d in ingest.get("flown") or [] if d]
    if flown:
        first, last = min(flown), max(flown)
        yield "Flown", first if first == last else f"{first} to {last}"
    if found.columns is not None:
        yield "Leaves when flown", found.config.leaf_state
    kept = ingest.get("points_kept")
    if kept:
        area = found.grid.rows * found.grid.cols * found.grid.cell**2
        yield "Returns used", f"{kept:,}"
        yield "Mean density", f"{number(kept / area, 1)} returns per m² over the land read"
    if ground.get("source"):
        yield "Ground from", str(ground["source"])
    yield "Coordinates", str(summary.get("georeference", {}).get("crs", "not stated"))
    yield "Cell", units.length(found.grid.cell, 1)


def _settings(settings: BaseModel, section: str = "") -> Iterator[tuple[str, str, str, str, bool]]:
    """Every setting with its value and what it rests on, section by section."""
    for key, about in type(settings).model_fields.items():
        value = getattr(settings, key)
        if isinstance(value, BaseModel):
            yield from _settings(value, f"{section}.{key}" if section else key)
        elif section:
            yield section, key, _shown(value), about.description or "", value == about.default


def _shown(value: object) -> str:
    if value is None:
        return "not set"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, tuple | list):
        return ", ".join(_shown(v) for v in value) or "none"
    return str(value)
