"""A line of one's own, scored on the land of a finished run."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike

from lanewright.finished.run import Run
from lanewright.legs import own
from lanewright.legs.legs import without_rates
from lanewright.legs.refused import Refused
from lanewright.legs.sites import Sites
from lanewright.legs.throwing import LINE
from lanewright.visit.outing import as_published


def score_line(
    run: Run, line: shapely.LineString | ArrayLike, level: str = "blue"
) -> gpd.GeoDataFrame:
    """Score a line as the search scores its own, one row per throw, as it stands untrimmed.

    Parameters
    ----------
    run
        A finished run on whose land the line lies.
    line
        A LineString, or coordinates (n, 2), in the run's CRS, tee first. Every corner that strays
        5 m or more from straight ends one throw and starts the next, as in `own_holes`.
    level
        One of `run.levels`, by name.

    Returns
    -------
    GeoDataFrame
        The columns of layer `legs`, rounded as there, in the order of play; instead of the numbers
        of leg, tee and end a column `throw`, from 0. Geometry is the flight, a LineString Z.

    Raises
    ------
    KeyError
        If the run has no such level.
    ValueError
        If `line` has fewer than two places, or some that are not finite.
    InputError
        If it leaves the grid or ends on unknown ground, or the stored results are gone.
    """
    names = [there.name for there in run.levels]
    if level not in names:
        raise KeyError(f"no level {level!r} in this run; there are {', '.join(names)}")
    thrower = replace(run.thrower, players=(run.thrower.player(level),))
    ((name, wkt),) = own.own_lines([("line", _drawn(line).wkt)], [])
    legs = run.stored.legs
    tees, baskets = (s.drop(columns="legs") for s in (legs.tee_sites, legs.basket_sites))
    sites = Sites(tees, baskets, cast("tuple[Refused, Refused]", legs.refused))
    scored = own.score_line(thrower, sites, name, shapely.from_wkt(wkt))
    frame = gpd.GeoDataFrame(
        pd.concat(scored.legs, ignore_index=True), geometry="geometry", crs=run.grid.crs
    )
    frame = frame.assign(leg_id=np.arange(1, len(frame) + 1)).drop(columns=[*LINE, "own_order"])
    if not run.stored.scene.surveyed:
        frame = without_rates(frame)
    made = as_published("legs", frame).drop(columns=["leg_id", "tee_id", "end_id"])
    made.insert(0, "throw", np.arange(len(made)))
    return made


def _drawn(line: shapely.LineString | ArrayLike) -> shapely.LineString:
    """The line, flat."""
    given = shapely.get_coordinates(line) if isinstance(line, shapely.Geometry) else line
    places = np.asarray(given, np.float64)
    if places.ndim != 2 or places.shape[1] != 2 or len(places) < 2 or not np.isfinite(places).all():
        raise ValueError("a line has two places (x, y) or more, all of them finite numbers")
    return shapely.LineString(places)
