"""What a course needs, counted on the chosen round, and what that may cost: always a range."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from lanewright.base.rows import rows_of
from lanewright.publish.crew import RoundWork
from lanewright.publish.crossings import over_water
from lanewright.publish.findings import Findings
from lanewright.settings.costs import Cost

_BENCHES = (0.25, 0.5)  # of the holes; common practice, no source
_METRES = ("bridge", "boardwalk", "trail")


@dataclass(frozen=True)
class Need:
    """One line of the budget.

    Attributes
    ----------
    item
        As the table of costs names it.
    low, high
        How many of it, in the unit of the cost.
    cost
        Cost of one; None where the table has no such item.
    """

    item: str
    low: float
    high: float
    cost: Cost | None

    @property
    def money(self) -> tuple[float, float] | None:
        """Low and high end; None where nobody said what one costs."""
        if self.cost is None:
            return None
        return self.low * self.cost.low, self.high * self.cost.high


def needs_of(found: Findings, costs: Mapping[str, Cost]) -> list[Need]:
    """What the first proposal needs; nothing where there is none."""
    layout, walks = found.layer("layout_holes"), found.layer("layout_walks")
    if layout is None or found.best is None:
        return []
    best = found.best
    holes = layout[layout["proposal"] == best]
    ways = rows_of(walks[walks["proposal"] == best]) if walks is not None else []
    count = float(len(holes))
    tees = float(_other_tees(found, {int(n) for n in holes["hole_id"]}))
    bridge = sum(float(w["bridge_m"] or 0) for w in ways)
    played = sum(crossing.metres for crossing in over_water(found, best))
    wet = sum(float(w["wet_m"] or 0) for w in ways)
    paths = sum(float(w["length_m"] or 0) for w in ways)
    soft = float(sum((w["wet_m"] or 0) > 0 for w in ways))
    few, many = (float(round(share * count)) for share in _BENCHES)
    made: list[tuple[str, float, float]] = [
        ("tee pad", count, count + tees),
        ("basket", count, count),
        ("tee sign", count, count + 1),
        ("practice basket", 1.0, 1.0),
        ("bench", few, many),
        ("bridge", bridge, bridge + played),  # low: walks; high: fairways over water as well
        ("boardwalk", 0.0, wet),
        ("trail", max(paths - bridge - wet, 0.0), paths),
        ("drainage", 0.0, soft),
        *((f"clearing by {reach}", low, high) for reach, _, low, high in _clearing(found)),
    ]
    return [Need(i, low, high, costs.get(i)) for i, low, high in made if high > 0]


def work_of(found: Findings) -> RoundWork | None:
    """Trim work of the first proposal; None without."""
    return next(iter(found.rounds.values()), None)


def _clearing(found: Findings) -> tuple[tuple[str, int, float, float], ...]:
    work = work_of(found)
    return work.totals if work is not None else ()


def _other_tees(found: Findings, holes: set[int]) -> int:
    """Tees for other levels on the chosen holes."""
    positions = found.layer("hole_positions")
    if positions is None:
        return 0
    mine = positions[positions["hole_id"].isin(holes) & (positions["position"] == "tee")]
    # One more pad a hole at the most: further levels share it or play from grass.
    return int(mine["hole_id"].nunique())


def total(needs: list[Need]) -> tuple[float, float]:
    """Low and high end of all that has a cost."""
    known = [need.money for need in needs if need.money is not None]
    return sum(low for low, _ in known), sum(high for _, high in known)


def unit_words(need: Need) -> str:
    """Unit of a need: each, m, h."""
    per = need.cost.per if need.cost else ("metre" if need.item in _METRES else "each")
    return {"metre": "m", "hour": "h", "each": "", "place": ""}.get(per, per)
