"""Stage roundtees: other tees and pins for the holes of proposed rounds, as the neighbours allow.

Of the candidates only the best have other positions looked for, and most of these no round plays.
Once rounds stand, every hole of theirs gets them: a tee for each other level, and other pins. Each
is held against the other holes of its rounds and against the land by the independent check.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import geopandas as gpd
import numpy as np
import pandas as pd

from lanewright.base.rows import Row, rows_of
from lanewright.base.threads import kernel_threads
from lanewright.flight.flight import Flights
from lanewright.holes.holes import Holes, further_of
from lanewright.holes.links import counted, with_legs_of
from lanewright.holes.positions import other_positions
from lanewright.layout.checklines import Check, Line, line_of
from lanewright.layout.layoutcheck import faults_of
from lanewright.layout.proposals import Layouts
from lanewright.legs.thrower import thrower_of
from lanewright.scene import Scene
from lanewright.settings.holes import HoleSettings, SafetySettings
from lanewright.settings.legs import LegsSettings
from lanewright.store import stage


@dataclass(frozen=True)
class RoundTees:
    """Other tees and pins of all holes, and the legs table with the throws that they add.

    Attributes
    ----------
    positions
        Rows of layer `hole_positions`.
    legs
        As `Holes.legs`, with more at its end.
    tee_sites
        As `Holes.tee_sites`, these legs counted.
    facts
        For the summary.
    """

    positions: gpd.GeoDataFrame
    legs: gpd.GeoDataFrame
    tee_sites: gpd.GeoDataFrame
    facts: dict[str, object] = field(default_factory=dict)

    def joined(self, holes: Holes) -> Holes:
        """The holes with these positions and legs."""
        return replace(
            holes,
            positions=self.positions,
            legs=self.legs,
            tee_sites=self.tee_sites,
            facts=holes.facts | self.facts,
        )


@stage("roundtees", version=3)
def place_round_tees(
    scene: Scene,
    flights: Flights,
    holes: Holes,
    layouts: Layouts,
    settings: tuple[LegsSettings, HoleSettings, SafetySettings],
    *,
    threads: int = 1,
) -> RoundTees:
    """Find other tees and pins for every hole of a round, and drop those that come too near.

    Parameters
    ----------
    scene, flights, holes, layouts
        Results of the stages before; without lidar nothing is thrown and nothing found.
    settings
        The sections `legs`, `layout: hole:` and `layout: safety:` of the configuration.
    threads
        For the kernels; the result is the same for any number.
    """
    rules, hole_settings, safety = settings
    mine = holes.holes[holes.holes["hole_id"].isin(layouts.holes["hole_id"].astype("int64"))]
    if not len(mine) or not scene.surveyed:
        return RoundTees(holes.positions, holes.legs, holes.tee_sites)
    levels = tuple(flight.level for flight in flights.levels)
    lacking = mine[
        ~mine["hole_id"].isin(holes.positions["hole_id"]) & (mine["origin"] != "cut").to_numpy()
    ]
    with kernel_threads(threads):
        further = further_of(holes, thrower_of(scene, flights, rules))
        some = with_legs_of(lacking, holes.links)
        more, table = other_positions(holes.legs, some, levels, further, hole_settings)
    every = pd.concat([f for f in (holes.positions, more) if len(f)] or [more], ignore_index=True)
    check = Check(levels, scene, safety)
    fits = _fit(every, holes.links, table, layouts.holes, check)
    positions = _numbered(every[fits], holes.legs.crs)
    used = set(positions["leg_id"]) | set(holes.legs["leg_id"])
    facts = _facts(positions, layouts.holes) | {
        "positions": len(positions),
        "positions too near other holes of a round or the land": int((~fits).sum()),
    }
    table = table[table["leg_id"].isin(used)].reset_index(drop=True)
    return RoundTees(positions, table, counted(holes.tee_sites, table), facts)


def _numbered(positions: pd.DataFrame, crs: object) -> gpd.GeoDataFrame:
    """Positions hole by hole, numbered from 1."""
    order = ["hole_id", "position", "level", "site_id"]
    kept = positions.sort_values(order, kind="stable", ignore_index=True)
    kept["position_id"] = np.arange(1, len(kept) + 1)
    return gpd.GeoDataFrame(kept, geometry="geometry", crs=crs)


def _fit(
    positions: pd.DataFrame,
    links: pd.DataFrame,
    legs: gpd.GeoDataFrame,
    rounds: gpd.GeoDataFrame,
    check: Check,
) -> np.ndarray:
    """Which positions keep the rules in every round that plays their hole (n,)."""
    chains = links.sort_values(["hole_id", "throw"]).groupby("hole_id")["leg_id"].agg(tuple)
    proposals = [
        dict(zip(mine["hole_id"], check.lines(mine, links, legs), strict=True))
        for _, mine in rounds.groupby("proposal")
    ]
    return np.array(
        [
            all(
                _keeps_rules(row, chains[row["hole_id"]], lines, legs, check)
                for lines in proposals
                if row["hole_id"] in lines
            )
            for row in rows_of(positions)
        ],
        bool,
    )


def _keeps_rules(
    row: Row,
    chain: tuple[int, ...],
    lines: Mapping[int, Line],
    legs: gpd.GeoDataFrame,
    check: Check,
) -> bool:
    """Whether a hole played from another tee or to another pin keeps the rules of a round."""
    leg = int(row["leg_id"])
    thrown = (leg, *chain[1:]) if row["position"] == "tee" else (*chain[:-1], leg)
    other = {"hole_id": lines[row["hole_id"]].number, "level": row["level"], "legs": thrown}
    line = line_of(other, legs, check)
    beside = [one for hole, one in lines.items() if hole != row["hole_id"]]
    return not faults_of(line, beside, check)


def _facts(positions: pd.DataFrame, rounds: pd.DataFrame) -> dict[str, object]:
    """Holes of rounds with a tee for another level, and with another pin."""
    played = positions[positions["hole_id"].isin(rounds["hole_id"])]
    count = played.groupby("position")["hole_id"].nunique()
    return {
        "holes of rounds": int(rounds["hole_id"].nunique()),
        "of these with another tee": int(count.get("tee", 0)),
        "of these with another pin": int(count.get("pin", 0)),
    }
