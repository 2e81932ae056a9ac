"""What trimming makes of legs and holes that growth alone makes unfair.

A leg counts as opened where its plan reaches the share of throws that is fair, in no more hours
than the settings allow. It then has a score, that of a leg so clear, less a part for the hours.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from lanewright.base.arrays import Floats
from lanewright.legs import fair, scores
from lanewright.settings.legs import LegsSettings

LEG = ("leg_id", "score", "fair", "trim_hours_low", "trim_hours_high")
HOLE = ("hole_id", "score", "fair")


def opened_legs(
    legs: gpd.GeoDataFrame, per_leg: pd.DataFrame, settings: LegsSettings
) -> pd.DataFrame:
    """Legs that the planned work makes fair, in the columns `LEG`, and `gain` of ease.

    Parameters
    ----------
    legs
        The legs table.
    per_leg
        Plans, as in `Trim.per_leg`.
    settings
        The section `legs` of the configuration.
    """
    judge = settings.judge.fair
    plans = per_leg[["leg_id", "promised", "hours_low", "hours_high"]]
    some = legs[legs["fair"] == "no"].merge(plans, on="leg_id")
    shut = fair.from_words(some["unfair"])
    promised = some["promised"].to_numpy(float)
    hours = some["hours_high"].to_numpy(float)
    open_now = ~fair.hard(shut) & (promised >= judge.share) & (hours <= judge.hours)
    some, promised, hours = some[open_now], promised[open_now], hours[open_now]
    ease = _ease(some, promised, settings)
    worth = some["interest"].to_numpy(float) * ease * effort(hours, settings)
    gain = ease / np.maximum(some["ease"].to_numpy(float), 1e-9)
    return pd.DataFrame(
        {
            "leg_id": some["leg_id"].to_numpy(np.int64),
            "score": worth,
            "fair": "after trim",
            "trim_hours_low": some["hours_low"].to_numpy(float),
            "trim_hours_high": hours,
            "gain": gain,
        }
    )


def opened_holes(
    holes: gpd.GeoDataFrame,
    links: pd.DataFrame,
    legs: gpd.GeoDataFrame,
    opened: pd.DataFrame,
    settings: LegsSettings,
) -> pd.DataFrame:
    """Holes that the planned work makes fair, in the columns `HOLE`.

    Parameters
    ----------
    holes, links, legs
        As in `Holes`.
    opened
        Of `opened_legs`.
    settings
        The section `legs` of the configuration.
    """
    some = holes[(holes["fair"] == "no") & (holes["promise"] > 0)]
    each = links[links["hole_id"].isin(some["hole_id"])].merge(
        opened[["leg_id", "gain", "trim_hours_high"]], on="leg_id", how="left"
    )
    each["fair"] = each["leg_id"].map(legs.set_index("leg_id")["fair"]) == "yes"
    each["ready"] = each["fair"] | each["gain"].notna()
    each["log_gain"] = np.log(each["gain"].fillna(1.0))
    by_hole = each.groupby("hole_id")
    ready, hours = by_hole["ready"].all(), by_hole["trim_hours_high"].sum()
    gain = np.exp(by_hole["log_gain"].mean())
    fit = ready & (hours <= settings.judge.fair.hours)
    mine = some.set_index("hole_id")["promise"].reindex(fit.index[fit])
    worth = mine * gain[fit] * effort(hours[fit].to_numpy(float), settings)
    return pd.DataFrame(
        {
            "hole_id": mine.index.to_numpy(np.int64),
            "score": np.clip(worth.to_numpy(float), 0, 1),
            "fair": "after trim",
        }
    )


def effort(hours: Floats, settings: LegsSettings) -> Floats:
    """What is left of a score after so many hours of work (legs,)."""
    judge = settings.judge.fair
    return np.asarray(1 - judge.toil * np.minimum(hours / judge.hours, 1.0))


def _ease(legs: gpd.GeoDataFrame, promised: Floats, settings: LegsSettings) -> Floats:
    """Ease of legs with the clear rate that is promised; what was not seen stays in doubt."""
    seen, low = (legs[name].to_numpy(float) for name in ("clear_rate", "clear_rate_low"))
    doubt = np.divide(low, seen, out=np.ones(len(legs)), where=seen > 0)
    clear = scores.clearance(promised, promised * doubt, settings.judge.fair.share)
    grade, dry = (legs[f"score_{name}"].to_numpy(float) for name in ("grade", "drainage"))
    return scores.total(clear, grade, dry, settings.score)


def with_outcome(frame: gpd.GeoDataFrame, outcome: pd.DataFrame, key: str) -> gpd.GeoDataFrame:
    """Legs or holes with the score and the word on fairness that planned work gives them.

    Where the outcome has hours too, the frame gets them; NaN for those that no work opens.
    """
    out = frame.copy()
    by_key = outcome.set_index(key)
    for name in ("score", "fair") if len(outcome) else ():
        out[name] = out[key].map(by_key[name]).where(out[key].isin(by_key.index), out[name])
    for name in ("trim_hours_low", "trim_hours_high"):
        if name in by_key:
            out[name] = out[key].map(by_key[name]).astype(float)
    return out
