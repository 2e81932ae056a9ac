"""What took the land: the squares without a site by reason, as rows of a table."""

from __future__ import annotations

from dataclasses import dataclass

from lanewright.base.rows import rows_of
from lanewright.legs.refused import OUTSIDE, REASONS
from lanewright.publish.findings import Findings
from lanewright.publish.landwords import land_words, phrase
from lanewright.publish.report.words import Units, number, percent


@dataclass(frozen=True)
class Taken:
    """Sentences, and per reason its words and the ground it took of tees and of baskets."""

    said: tuple[str, ...]
    rows: tuple[tuple[str, str, str, str, str], ...]
    side: str


def taken_of(found: Findings, units: Units) -> Taken | None:
    """What the page says of squares without a site; None where nothing was tested."""
    squares = found.layer("refused_squares")
    if squares is None:
        return None
    by = {(row["use"], row["reason"]): row for row in rows_of(squares)}
    rows: list[tuple[str, str, str, str, str]] = []
    for reason in REASONS:
        mine = [by.get((use, reason)) for use in ("tee", "basket")]
        if reason == OUTSIDE or mine == [None, None]:
            continue
        cells = [
            (percent(row["share"]), number(row["squares_alone"])) if row else (percent(0.0), "0")
            for row in mine
        ]
        words = "holds a site" if reason == "none" else units.turned(phrase(reason, found.config))
        rows.append((words, *cells[0], *cells[1]))
    said = tuple(units.turned(text) for text in land_words(found.config, found.layers))
    side = units.length(found.config.legs.sites.spacing)
    return Taken(said, tuple(rows), side)
