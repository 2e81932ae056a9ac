"""The last lines of a run: what the land gives, what to see first, what to settle first."""

from __future__ import annotations

from collections.abc import Iterator

from lanewright.base.rows import rows_of
from lanewright.publish.findings import Findings
from lanewright.publish.landwords import land_words
from lanewright.visit.firstwalk import FEATURE, WORTH_OF_CHECK
from lanewright.visit.outing import CHECK

FEW = 3
"""Things named in each line."""


def closing(found: Findings) -> Iterator[str]:
    """Three lines for somebody who reads nothing else."""
    yield f"the land: {_given(found)}"
    yield f"see first: {_features(found)}"
    yield f"settle first: {_checks(found)}"


def _given(found: Findings) -> str:
    wanted = found.config.holes
    refused = land_words(found.config, found.layers)
    if refused:
        return refused[0]
    if not found.proposals:
        why = _warning(found, "no layout: ")
        return f"no layout for {wanted} holes{f', for {why}' if why else ''}"
    best = found.proposals[0]
    holes, metres = int(best["holes"]), float(best["length_m"])
    said = f"par {best['par']}, {metres:,.0f} m"
    if holes >= wanted:
        return f"{wanted} holes fit ({said} in the best of {len(found.proposals)} proposals)"
    why = _warning(found, f"{wanted} holes do not fit: {holes} do; ")
    return f"{wanted} holes do not fit; {holes} do ({said}){f': {why}' if why else ''}"


def _warning(found: Findings, begins: str) -> str:
    """Rest of the first warning that begins so; empty where none does."""
    for warning in found.summary["warnings"]:
        if warning.startswith(begins):
            return str(warning)[len(begins) :]
    return ""


def _features(found: Findings) -> str:
    rows = rows_of(found.layer("features"))[:FEW]
    if not rows:
        return "no feature stands out"
    return "; ".join(f"{FEATURE}{row['feature_id']} {row['name']}" for row in rows)


def _checks(found: Findings) -> str:
    """The checks that settle most; of one kind only the first, for the book lists the others."""
    rows = rows_of(found.layer("field_checks"))
    rows.sort(key=lambda row: (-WORTH_OF_CHECK.get(row["kind"], 0.0), row["check_id"]))
    first = {row["kind"]: row for row in reversed(rows)}
    chosen = sorted(first.values(), key=rows.index)[:FEW]
    if not chosen:
        return "nothing that the survey leaves open; see the land all the same"
    return "; ".join(f"{CHECK}{row['check_id']} {row['kind']} ({row['place']})" for row in chosen)
