"""Expected scores of the holes of rounds, by level, from the throws that were flown."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lanewright.base.arrays import Floats
from lanewright.base.rows import Facts, Row, rows_of
from lanewright.holes.expected import STEP, Flown, Score, finishing_of, score_of
from lanewright.settings.levels import Level

MODEL = (
    "Expected scores add up what may come of the throws that were flown (how many touch nothing "
    "once the planned work is done, where the others drop, where the clear ones rest, how many are "
    "lost or wet); from there a level gets down in two from its close range nine times in ten (a "
    "designer's essay on close range par) and holes every other putt from a quarter of that "
    "(common practice, no source). Nobody's scores were measured."
)
"""What stands behind the figures."""

SHORT_MODEL = "throws that the level is expected to take, by a model of throws and putts"

_USUAL = 150.0  # m that approaches are worked out for at once


class Scorer:
    """What the holes of the rounds are scored from.

    Parameters
    ----------
    legs
        The legs table.
    positions
        Rows of `hole_positions`: a level with a tee of its own plays from there.
    per_leg
        Plans of trim work, as in `Trim.per_leg`.
    levels
        Who plays, best players first.
    starts
        Sites that the holes' throws start from; other legs are not looked at.
    """

    def __init__(
        self,
        legs: gpd.GeoDataFrame,
        positions: pd.DataFrame,
        per_leg: pd.DataFrame,
        levels: Sequence[Level],
        starts: set[int],
    ) -> None:
        tees = positions[positions["position"] == "tee"]
        self._own_tee = {
            (int(hole), str(level)): int(leg)
            for hole, level, leg in tees[["hole_id", "level", "leg_id"]].to_numpy()
        }
        mine = legs[legs["tee_id"].isin(starts) | legs["leg_id"].isin(tees["leg_id"])]
        self._legs = {int(row["leg_id"]): row for row in _with_bearing(mine)}
        self._between: dict[tuple[int, int, str], int] = {}
        for n, row in sorted(self._legs.items(), key=lambda r: -(r[1]["clear_rate"] or 0.0)):
            self._between.setdefault((row["tee_id"], row["end_id"], row["level"]), n)
        some = per_leg[per_leg["pieces"] > 0] if len(per_leg) else per_leg
        self._promised = {int(row["leg_id"]): row["promised"] for row in some.to_dict("records")}
        self._levels = {level.name: level for level in levels}
        self._finish: dict[str, Floats] = {}

    def score(self, ids: Sequence[int], level: str, *, trimmed: bool = True) -> Score | None:
        """Score of a level for legs in order; None where it is not known what they meet.

        A leg that was flown for other players takes as many throws as the level needs for it.
        """
        who, throws = self._levels[level], []
        for n in ids:
            row = self._legs[n]
            flown = _flown(row, self._promised.get(n) if trimmed else None)
            if flown is None:
                return None
            if row["level"] != level:
                flown = replace(flown, throws=max(math.ceil(flown.length / who.fairway_throw), 1))
            throws.append(flown)
        farthest = max(_USUAL, *(flown.length for flown in throws))
        if len(self._finish.get(level, ())) * STEP < farthest:
            self._finish[level] = finishing_of(who, farthest)
        return score_of(throws, who, self._finish[level])

    def others(self, hole: int, ids: Sequence[int], own: str) -> Iterator[tuple[str, Score]]:
        """Scores of the other levels whose throw from the tee was flown."""
        for level in self._levels:
            first = self._own_tee.get((hole, level)) or self._same(ids[0], level)
            if level != own and first is not None:
                rest = [self._same(n, level) or n for n in ids[1:]]
                score = self.score([first, *rest], level)
                if score is not None:
                    yield level, score

    def _same(self, leg: int, level: str) -> int | None:
        """The level's clearest throw between the places of a leg; None where none was flown."""
        row = self._legs[leg]
        return self._between.get((row["tee_id"], row["end_id"], level))


def _with_bearing(legs: gpd.GeoDataFrame) -> list[Row]:
    """Rows of legs with `bearing_deg`, clockwise from the grid's north."""
    first, last = (shapely.get_point(legs.geometry.to_numpy(), i) for i in (0, -1))
    dx = shapely.get_x(last) - shapely.get_x(first)
    dy = shapely.get_y(last) - shapely.get_y(first)
    return rows_of(legs.assign(bearing_deg=np.degrees(np.arctan2(dx, dy))))


def _flown(row: Row, promised: float | None) -> Flown | None:
    """A leg of the table as a throw; None without a clear rate."""

    def of(name: str, empty: float) -> float:
        value = row.get(name)
        return empty if value is None else float(value)

    clear = of("clear_rate", math.nan) if promised is None else promised
    if not math.isfinite(clear):
        return None
    return Flown(
        length=row["length_m"],
        clear=clear,
        drops_at=of("fail_at_m", of("pinch_at_m", 0.0)),
        wet=of("lands_wet_share", 0.0),
        lost=of("unsafe_share", 0.0),
        long=of("landing_long_m", math.nan),
        wide=of("landing_wide_m", math.nan),
        turn=of("landing_bearing_deg", 0.0) - row["bearing_deg"],
        past=of("landing_past_m", math.nan),
    )


def with_scores(
    layout: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame,
    positions: pd.DataFrame,
    per_leg: pd.DataFrame,
    levels: Sequence[Level],
) -> gpd.GeoDataFrame:
    """Holes of rounds with what they are expected to be scored in; empty where not known.

    Parameters
    ----------
    layout
        Rows of `layout_holes`, with `legs` as text.
    legs, positions, per_leg, levels
        As in `Scorer`.
    """
    chains = [[int(n) for n in text.split()] for text in layout["legs"]]
    used = {n for chain in chains for n in chain}
    starts = set(legs.loc[legs["leg_id"].isin(used), "tee_id"])
    scorer = Scorer(legs, positions, per_leg, levels, starts)
    made: dict[tuple[int, str], Row] = {}
    for hole, chain, level in zip(layout["hole_id"], chains, layout["level"], strict=True):
        if (hole, level) not in made:
            made[hole, level] = _columns(scorer, int(hole), chain, level)
    rows = [made[key] for key in zip(layout["hole_id"], layout["level"], strict=True)]
    return layout.assign(**{name: [row[name] for row in rows] for name in _EMPTY})


_EMPTY: Row = {
    "expected_score": math.nan,
    "expected_score_sd": math.nan,
    "expected_score_now": math.nan,
    "likeliest_score": None,
    "likeliest_share": math.nan,
    "expected_others": None,
}


def _columns(scorer: Scorer, hole: int, ids: Sequence[int], level: str) -> Row:
    score, now = scorer.score(ids, level), scorer.score(ids, level, trimmed=False)
    if score is None or now is None:
        return _EMPTY
    others = [f"{name} {_said(s.mean, s.sd)}" for name, s in scorer.others(hole, ids, level)]
    return {
        "expected_score": score.mean,
        "expected_score_sd": score.sd,
        "expected_score_now": now.mean,
        "likeliest_score": score.likeliest,
        "likeliest_share": float(score.chances[score.likeliest]),
        "expected_others": "; ".join(others) or None,
    }


def _said(mean: float, sd: float) -> str:
    return f"{mean:.1f}\u00a0±\u00a0{sd:.1f}"


def score_words(row: Facts) -> str:
    r"""Expected score of a hole and its spread; empty where not known.

    Examples
    --------
    >>> score_words({"expected_score": 3.24, "expected_score_sd": 0.71}), score_words({})
    ('3.2\xa0±\xa00.7', '')
    """
    mean, sd = row.get("expected_score"), row.get("expected_score_sd")
    return "" if mean is None or sd is None else _said(mean, sd)


def round_words(rows: Sequence[Facts]) -> str:
    r"""Expected score of a round and its spread, of the scores of its holes; empty if one lacks.

    Spreads add up as those of throws that know nothing of each other.

    Examples
    --------
    >>> hole = {"expected_score": 3.2, "expected_score_sd": 0.6, "expected_score_now": 3.2}
    >>> round_words([hole] * 9), round_words([hole, {}])
    ('28.8\xa0±\xa01.8', '')
    >>> round_words([hole | {"expected_score_now": 3.7}] * 9)
    '28.8\xa0±\xa01.8; 33.3 before the planned work'
    """
    names = ("expected_score", "expected_score_sd", "expected_score_now")
    known = all(row.get(name) is not None for row in rows for name in names)
    if not rows or not known:
        return ""
    mean, _, now = (sum(float(row[name]) for row in rows) for name in names)
    said = _said(mean, math.hypot(*(float(row["expected_score_sd"]) for row in rows)))
    more = now_words({"expected_score": mean, "expected_score_now": now})
    return "; ".join(filter(None, [said, more]))


def others_words(row: Facts) -> str:
    """The same for every level, the hole's own first; empty where not known."""
    own = score_words(row)
    others = row.get("expected_others")
    return "; ".join(filter(None, [own and f"{row['level']} {own}", own and others]))


def now_words(row: Facts) -> str:
    """What the score is without the planned work, where that is another; else empty."""
    mean, now = row.get("expected_score"), row.get("expected_score_now")
    if mean is None or now is None or f"{mean:.1f}" == f"{now:.1f}":
        return ""
    return f"{now:.1f} before the planned work"
