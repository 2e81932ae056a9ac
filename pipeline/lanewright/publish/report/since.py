"""What the page says of the time since an earlier survey."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd

from lanewright.base.rows import Facts, Row
from lanewright.publish.findings import Findings
from lanewright.publish.report.words import Units, plural

MOST = 6
"""Rows of each table on the page; the layers hold all."""

_GONE = "canopy lost"


@dataclass(frozen=True)
class Since:
    """Headline, sentences, and the rows of two tables."""

    title: str
    sentences: tuple[str, ...]
    patches: tuple[Row, ...]
    lanes: tuple[Row, ...]


def since_of(found: Findings, units: Units) -> Since | None:
    """What changed since an earlier survey; None where none was given."""
    facts = found.summary["findings"].get("changes")
    if facts is None:
        return None
    table, lanes = found.layers["changes"], found.layers["lane_changes"]
    flown = found.config.compare.flown if found.config.compare is not None else None
    title = f"Since the survey of {flown.year}" if flown else "Since the earlier survey"
    moved = facts["moved_m"]
    sideways = units.length(float(np.hypot(moved["east"], moved["north"])), 1)
    upward = f"{units.length(abs(moved['up']), 2)} {'up' if moved['up'] >= 0 else 'down'}"
    sentences = [
        f"The earlier survey was moved by {sideways} sideways and {upward} to lie over this one."
        if moved["measured"]
        else "How far the earlier survey lies off sideways could not be measured; it was not "
        "moved sideways, and changes at edges may come from that. It was moved "
        f"{upward} until both grounds agree."
    ]
    sentences += _growth(facts["growth"], units)
    trees = facts["trees_lost"]
    if trees:
        area = table.loc[table["kind"] == _GONE, "area_m2"].sum()
        sentences.append(
            f"{plural(trees, 'tree')} stood where the canopy is gone now, {units.area(area)} in "
            "all; felled or fallen, the walk shows."
        )
    rows = [
        {"kind": r.kind, "area": r.area_m2, "then": r.height_then_m, "now": r.height_now_m}
        for r in table.head(MOST).itertuples()
    ]
    return Since(title, tuple(sentences), tuple(rows), tuple(_lanes(lanes)))


def _growth(growth: Sequence[Facts], units: Units) -> list[str]:
    known = [row for row in growth if row["m_per_year"] is not None]
    if not known:
        return ["How fast the growth rises a year is not known."]
    largest = max(known, key=lambda row: float(row["area_ha"]))
    top = f"to {units.length(largest['to_m'])}" if largest["to_m"] else "and more"
    error = largest["error_m_per_year"]
    sure = "" if error is None else f", give or take {units.length(2 * float(error), 2)}"
    return [
        f"Growth of {units.length(largest['from_m'], 1)} {top}, the most there is, rose by "
        f"{units.length(largest['m_per_year'], 2)} a year{sure}."
    ]


def _lanes(lanes: gpd.GeoDataFrame) -> list[Row]:
    """Lanes that changed, those that close first ahead."""
    changed = lanes[lanes["state"] != "as before"]
    soon = changed.sort_values(["closes_in_years", "change_id"], na_position="last")
    return [
        {
            "lane": None if pd.isna(r.lane_id) else int(r.lane_id),
            "state": r.state,
            "then": r.width_then_m,
            "now": r.width_now_m,
            "years": r.closes_in_years,
        }
        for r in soon.head(MOST).itertuples()
    ]
