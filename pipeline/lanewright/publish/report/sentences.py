"""What the land offers, what the survey could not see, and the key figures, out of the numbers."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lanewright.base.rows import rows_of
from lanewright.growth.vegetation import THROWING
from lanewright.publish.beyond import within_reach
from lanewright.publish.findings import Findings
from lanewright.publish.report.words import (
    CLEAR,
    NARROW,
    Units,
    hours_of,
    listed,
    pct,
    percent,
    plural,
)

_STEEP = 25.0  # percent; too steep for a basket by our default


@dataclass(frozen=True)
class Figure:
    """A key figure."""

    value: str
    label: str


def glance(found: Findings, units: Units) -> list[str]:
    """What this land offers, in five sentences."""
    return [
        _land(found, units),
        _wood(found, units),
        _lines(found, units),
        _layout(found, units),
        _water_and_work(found, units),
    ]


def figures(found: Findings, units: Units) -> list[Figure]:
    """Key figures of the property."""
    land = rows_of(found.layers["property"])
    made = []
    if land:
        made.append(Figure(units.area(land[0]["area_ha"] * 1e4), "property"))
    ground = _inside(found, "ground")
    if ground.size:
        made.append(Figure(units.length(float(np.ptp(ground))), "from lowest to highest ground"))
    slope = _inside(found, "slope")
    if slope.size:
        made.append(Figure(pct(float(np.median(slope))), "median slope"))
    canopy = _inside(found, "canopy_height")
    if canopy.size:
        over = units.length(found.config.vegetation.canopy_from)
        made.append(Figure(_covered(found, canopy), f"under canopy over {over}"))
    seen = _inside(found, "seen_share")
    if seen.size:
        made.append(Figure(percent(float(seen.mean())), "of the throwing space seen by lidar"))
    legs = found.layer("legs")
    if legs is not None:
        made.append(Figure(f"{len(legs):,}", "legs scored by thrown discs"))
    holes = found.layer("holes")
    if holes is not None:
        made.append(Figure(f"{len(holes):,}", "candidate holes"))
    layout = found.layer("layout_holes")
    if layout is not None:
        best = layout[layout["proposal"] == found.best]
        made.append(
            Figure(
                f"{len(best)}",
                f"holes in proposal {found.best}, par {int(best['par'].sum())}",
            )
        )
    return made


def unseen(found: Findings, units: Units) -> list[str]:
    """What the survey could not see, in sentences."""
    said = []
    seen = _inside(found, "seen_share")
    cell = found.grid.cell**2
    if seen.size:
        dark = float((seen < 0.5).sum()) * cell
        said.append(
            f"Lidar sampled {percent(float(seen.mean()))} of the space between {THROWING[0]:g} and "
            f"{THROWING[1]:g} m over the ground; on {units.area(dark)} it sampled less than half. "
            "What is drawn as open there is not known to be."
        )
    elif found.columns is None:
        said.append(
            "There is no lidar here, only a terrain model: nothing is known of what grows, and no "
            "clear rate is given."
        )
    ingest = found.summary.get("findings", {}).get("ingest", {})
    flown = [d for d in ingest.get("flown") or [] if d]
    if flown:
        first, last = min(flown), max(flown)
        when = f"on {first}" if first == last else f"from {first} to {last}"
        said.append(
            f"The lidar was flown {when}. What has grown, fallen or been built since is not here."
        )
    elif found.columns is not None:
        said.append("The files do not say when the lidar was flown.")
    if found.columns is not None:
        said.append(_leaves(found))
        said.append(
            "Stems thinner than about 10 cm (4 in), vines, fences and wire are mostly missed; the "
            "low end of each clear rate allows for thin stems by a density in the settings."
        )
    unknown = ~np.isfinite(found.rasters["ground"]) & found.inside
    if unknown.any():
        said.append(f"The ground of {units.area(float(unknown.sum()) * cell)} is not known at all.")
    return said


_SOLVER = re.compile(r"legs that holes could use|would lose more than a quarter of the live crown")
"""Notes on the search as a whole; they change no decision on the first reading."""


def noted(found: Findings) -> list[str]:
    """What the run itself warns of and a designer decides by, each as a sentence."""
    return [capital(ended(t)) for t in _warnings(found) if not _SOLVER.search(t)]


def others_noted(found: Findings) -> list[str]:
    """What else the run noted, for those who ask how it was made."""
    return [capital(ended(t)) for t in _warnings(found) if _SOLVER.search(t)]


def _warnings(found: Findings) -> list[str]:
    texts = [str(w).strip() for w in found.summary.get("warnings", ())]
    units = Units(found.config.units == "feet")
    return [units.turned(_plain_note(t)) for t in texts if t]


def _plain_note(text: str) -> str:
    r"""A warning in a designer's words: what is estimated to five percent, no numbers of trees.

    Examples
    --------
    >>> _plain_note("own hole A, red: the wished 67% is out of reach: 61% (tree 28 most, 4% of it)")
    'your line A, red: the wished 67% is out of reach: 60\u202f%'
    """
    text = re.sub(r" \(tree \d+ most, [^)]*\)", "", text)
    text = re.sub(r"^own (hole|leg) ", "your line ", text, flags=re.IGNORECASE)
    return re.sub(
        r"(?<!the wished )\b(\d+) ?%", lambda m: f"{5 * round(int(m[1]) / 5)}{NARROW}%", text
    )


def capital(text: str) -> str:
    """Text with its first letter large; the rest as it is, for it may hold names."""
    return text[:1].upper() + text[1:]


def ended(text: str) -> str:
    """Text that ends like a sentence, with one mark.

    Examples
    --------
    >>> ended("Walk it"), ended("Is it worth keeping?"), ended("Look.")
    ('Walk it.', 'Is it worth keeping?', 'Look.')
    """
    return text if text.endswith((".", "?", "!")) else f"{text}."


def _leaves(found: Findings) -> str:
    wood = found.config.legs.throw.wood
    match found.config.leaf_state:
        case "off":
            return (
                f"It was flown without leaves, which flatters a wood: in leaf, contacts are "
                f"expected to rise as they do in {wood} woods, and both rates are given."
            )
        case "on":
            return "It was flown in leaf: what stands below crowns is seen the less for it."
    return (
        "Whether trees were in leaf when it was flown is not known; it is treated as leafless, "
        "the careful side."
    )


def _inside(found: Findings, name: str) -> NDArray[np.float64]:
    """Known values of a raster within the property; none where the run has no such raster."""
    if name not in found.rasters:
        return np.empty(0)
    values = np.asarray(found.rasters[name], np.float64)[found.inside]
    known: NDArray[np.float64] = values[np.isfinite(values)]
    return known


def _covered(found: Findings, canopy: NDArray[np.float64]) -> str:
    """Share of the property under what the settings call canopy."""
    return percent(float((canopy >= found.config.vegetation.canopy_from).mean()))


def _land(found: Findings, units: Units) -> str:
    ground, slope = _inside(found, "ground"), _inside(found, "slope")
    rows = rows_of(found.layers["property"])
    size = units.area(rows[0]["area_ha"] * 1e4) if rows else "land of unknown extent"
    text = f"{found.config.name} is {size}"
    if ground.size:
        text += f" with {units.length(float(np.ptp(ground)))} between its lowest and highest ground"
    if slope.size:
        text += (
            f"; half of it is gentler than {pct(float(np.median(slope)))} and "
            f"{percent(float((slope > _STEEP).mean()))} is steeper than {pct(_STEEP)}, where no "
            "basket should stand by our default"
        )
    return text + "."


def _wood(found: Findings, units: Units) -> str:
    canopy = _inside(found, "canopy_height")
    if not canopy.size:
        return "What grows on it is not known, for there is no lidar."
    text = f"Canopy covers {_covered(found, canopy)} of it"
    lanes, openings = found.layer("lanes"), found.layer("openings")
    parts = []
    if lanes is not None:
        tunnels = int((lanes["kind"] == "tunnel").sum())
        total = units.length(float(lanes["length_m"].sum()))
        part = f"{plural(len(lanes), 'lane')} of together {total}"
        if tunnels:
            part += f", {plural(tunnels, 'of them a tunnel', 'of them tunnels')} roofed by crowns"
        parts.append(part)
    if openings is not None:
        wide = float(openings["width_m"].max())
        parts.append(f"{plural(len(openings), 'opening')}, the roomiest {units.length(wide)} wide")
    if parts:
        text += f"; the land already holds {listed(parts)}"
    return text + "."


def _lines(found: Findings, units: Units) -> str:
    legs = found.layer("legs")
    if legs is None:
        return "No line to throw was found on it."
    if legs["clear_rate"].isna().all():
        return f"{plural(len(legs), 'line')} were kept for their ground alone."
    legs = legs[within_reach(found, legs)]
    parts = []
    for level in found.config.levels:
        mine = legs[legs["level"] == level]
        if not len(mine):
            continue
        clear = int((mine["clear_rate"] >= CLEAR).sum())
        leaf = int((mine["clear_rate_leaf_on"] >= CLEAR).sum())
        parts.append(f"{clear:,} of {plural(len(mine), 'leg')} for {level} ({leaf:,} in leaf)")
    good = legs["clear_rate"] >= CLEAR
    if not good.any():
        return f"None of {plural(len(legs), 'leg')} lets two throws in three pass untouched."
    longest = units.length(float(legs.loc[good, "length_m"].max()))
    return (
        f"Two throws in three touch nothing, as surveyed, on {listed(parts)}; the longest of "
        f"these legs is {longest}."
    )


def _layout(found: Findings, units: Units) -> str:
    layout = found.layer("layout_holes")
    if layout is None:
        holes = found.layer("holes")
        if holes is not None:
            return (
                f"{plural(len(holes), 'candidate hole')} came out of them, but no layout was made "
                "in this run."
            )
        return "No holes were put together in this run."
    best = layout[layout["proposal"] == found.best]
    wanted = found.config.holes
    short = (
        f"holds {len(best)} of the {wanted} holes asked for"
        if len(best) < wanted
        else f"holds the {plural(wanted, 'hole')} asked for"
    )
    proposals = layout["proposal"].nunique()
    walks = found.layer("layout_walks")
    walked = units.length(
        float(walks.loc[walks["proposal"] == found.best, "length_m"].sum())
        if walks is not None
        else float(best["walk_m"].fillna(0).sum())
    )
    return (
        f"It {short}: the first of {plural(proposals, 'proposal')} plays "
        f"{units.length(float(best['length_m'].sum()))} to a par of {int(best['par'].sum())} (our "
        f"default table), with {walked} of walks between holes."
    )


def _water_and_work(found: Findings, units: Units) -> str:
    wet, water = found.layer("wet_ground"), found.layer("water")
    inside = found.layers["property"].geometry.union_all()
    parts = []
    shapes = [] if water is None else [(water, "open water")]
    if wet is not None:
        likely = wet["certainty"] == "likely"
        shapes = [(wet[likely], "likely wet"), (wet[~likely], "possibly wet"), *shapes]
    for frame, what in shapes:
        area = float(frame.geometry.intersection(inside).area.sum())
        if area >= 1:
            parts.append(f"{units.area(area)} is {what}")
    unknown = not np.isfinite(found.rasters["wetness"][found.inside]).any()
    text = listed(parts) or "No wet ground shows in its shape"
    if unknown:
        text = listed([*parts, "where it is wet is not known"])
        text = text[:1].upper() + text[1:]
    work = found.layer("trim_work")
    if work is None:
        return f"{text}; no trim work was planned in this run."
    rounds = found.rounds
    if not rounds:
        return f"{text}; no holes were laid out to trim for."
    proposal, best = next(iter(rounds.items()))
    if not best.pieces:
        return f"{text}; the holes of proposal {proposal} need no trimming."
    return (
        f"{text}; trimming {plural(best.pieces, 'piece')} of growth, {hours_of(*best.hours)} hours "
        f"of one trained hand, would bring the holes of proposal {proposal} nearer to their wished "
        "clear rate."
    )
