"""Which legs and holes use which features, and the best leg of each feature.

Distances within which a leg counts as using a feature are ours: as far as a tee or green moves
before it is another one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lanewright.base.arrays import Flags, Floats, Ints

BESIDE = 5.0  # m from a fairway's middle within which a leg runs along it
ALONG = 0.5  # share of the shorter of the two that does
SPOT = 15.0  # m from the place of a tee or green
LANDS = 30.0  # m from the end of a drop within which a leg that starts on it lands
TURN = 30.0  # degrees between a leg and a carry, gap or view that it uses
CROSS = 6.0  # m from the middle of a gap
OVER = 12.0  # m from the middle of a carry
CROWN = 4.0  # m from a crown within which a throw has to mind the tree

OF_TEE = ("ridge_tee", "knoll_tee")
OF_WAY = ("tunnel", "fairway", "edge")


@dataclass(frozen=True)
class Linked:
    """Link tables, and features with the leg that uses each best.

    Attributes
    ----------
    features
        With `best_leg`, and the hours of trimming of that leg, `work_hours_low` and `_high`.
    of_legs, of_holes
        The layers `leg_features` and `hole_features`.
    """

    features: gpd.GeoDataFrame
    of_legs: gpd.GeoDataFrame
    of_holes: gpd.GeoDataFrame


def link_features(
    features: gpd.GeoDataFrame,
    legs: gpd.GeoDataFrame,
    holes: pd.DataFrame,
    hours: pd.DataFrame,
) -> Linked:
    """Link features to the legs that use them, and to holes through their legs.

    Parameters
    ----------
    features
        As the stage gives them.
    legs
        With `leg_id`, `score` and lines along the flight.
    holes
        `hole_id`, `leg_id`: the legs of each hole.
    hours
        `leg_id`, `hours_low`, `hours_high` of trim work, for legs with a plan.
    """
    pairs = pd.DataFrame(
        [(f, leg) for f, leg in pairs_of(features, legs)], columns=["feature_id", "leg_id"]
    ).astype("int64")
    best = _best(pairs, legs)
    work = hours.drop_duplicates("leg_id").set_index("leg_id")
    out = features.copy()
    out["best_leg"] = pd.array(out["feature_id"].map(best), dtype="Int64")
    for end in ("low", "high"):
        out[f"work_hours_{end}"] = out["best_leg"].map(work[f"hours_{end}"]).astype(float)
    by_hole = holes[["hole_id", "leg_id"]].merge(pairs, on="leg_id")[["hole_id", "feature_id"]]
    by_hole = by_hole.drop_duplicates().sort_values(["hole_id", "feature_id"])
    return Linked(
        out,
        _table(pairs.sort_values(["leg_id", "feature_id"]), "leg_id", features),
        _table(by_hole, "hole_id", features),
    )


def _best(pairs: pd.DataFrame, legs: gpd.GeoDataFrame) -> dict[int, int]:
    """Leg of the highest score that uses each feature; ties go to the lower number."""
    score = pd.Series(legs["score"].to_numpy(float), index=legs["leg_id"].to_numpy())
    scored = pairs.assign(score=pairs["leg_id"].map(score).fillna(-1.0))
    scored = scored.sort_values(["score", "leg_id"], ascending=[False, True], kind="stable")
    first = scored.drop_duplicates("feature_id")
    return dict(zip(first["feature_id"].tolist(), first["leg_id"].tolist(), strict=True))


def _table(pairs: pd.DataFrame, key: str, features: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Numbered links, each drawn as the feature is."""
    by_id = features.set_index("feature_id")
    table = pd.DataFrame(
        {
            "link_id": np.arange(1, len(pairs) + 1, dtype=np.int64),
            key: pairs[key].to_numpy(np.int64),
            "feature_id": pairs["feature_id"].to_numpy(np.int64),
            "kind": by_id["kind"].reindex(pairs["feature_id"]).to_numpy(object),
        }
    )
    shapes = by_id.geometry.reindex(pairs["feature_id"]).to_numpy()
    return gpd.GeoDataFrame(table, geometry=shapes, crs=features.crs)


def pairs_of(features: gpd.GeoDataFrame, legs: gpd.GeoDataFrame) -> Iterator[tuple[int, int]]:
    """Pairs of a feature and a leg that uses it: `feature_id`, `leg_id`."""
    if not len(legs):
        return
    lines = shapely.force_2d(legs.geometry.to_numpy())
    flown = _Flown(
        lines,
        shapely.get_coordinates(shapely.get_point(lines, 0)),
        shapely.get_coordinates(shapely.get_point(lines, -1)),
    )
    tree = shapely.STRtree(lines)
    numbers = legs["leg_id"].to_numpy()
    for feature, kind, shape, width in zip(
        features["feature_id"],
        features["kind"],
        features.geometry,
        features["width_m"],
        strict=True,
    ):
        near = np.sort(tree.query(shapely.buffer(shape, SPOT)))
        used = near[_uses(kind, shape, width, flown, near)]
        yield from ((int(feature), int(numbers[k])) for k in used)


@dataclass(frozen=True)
class _Flown:
    """Lines of legs, and where they start and end (legs, 2)."""

    lines: np.ndarray
    start: Floats
    end: Floats

    def turn(self, near: Ints, shape: shapely.LineString) -> Floats:
        """Degrees between legs and a line, 0 to 180."""
        way = np.subtract(shape.coords[-1][:2], shape.coords[0][:2])
        flight = self.end[near] - self.start[near]
        size = np.maximum(np.hypot(*flight.T) * max(float(np.hypot(*way)), 1e-9), 1e-9)
        return np.asarray(np.degrees(np.arccos(np.clip(flight @ way / size, -1, 1))))


def _uses(kind: str, shape: shapely.LineString, width: float, flown: _Flown, near: Ints) -> Flags:
    """Which of some legs use a feature."""
    first, last = np.array(shape.coords[0][:2]), np.array(shape.coords[-1][:2])
    lines = flown.lines[near]
    starts = np.hypot(*(flown.start[near] - first).T)
    ends = np.hypot(*(flown.end[near] - first).T)
    turn = flown.turn(near, shape)
    middle = shapely.line_interpolate_point(shape, 0.5, normalized=True)
    passed = shapely.distance(lines, middle)
    if kind in OF_WAY:
        own = shapely.length(shapely.intersection(lines, shape.buffer(BESIDE)))
        shorter = np.minimum(shapely.length(lines), shape.length)
        return np.asarray(own >= ALONG * shorter)
    if kind in ("drop", "climb"):
        lands = np.hypot(*(flown.end[near] - last).T)
        return np.asarray((starts <= SPOT) & (lands <= LANDS))
    if kind == "carry":
        return np.asarray((passed <= OVER) & (np.minimum(turn, 180 - turn) <= TURN))
    if kind == "gap":
        return np.asarray((passed <= CROSS) & (np.minimum(turn, 180 - turn) <= TURN))
    if kind == "view":
        return np.asarray((starts <= SPOT) & (turn <= TURN))
    if kind == "peninsula":
        there = np.minimum(
            np.hypot(*(flown.start[near] - last).T), np.hypot(*(flown.end[near] - last).T)
        )
        return np.asarray(there <= SPOT)
    if kind == "specimen_tree":
        return np.asarray(passed <= width / 2 + CROWN)
    return np.asarray((starts if kind in OF_TEE else ends) <= SPOT)
