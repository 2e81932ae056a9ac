"""From a run's results to what the page is made from."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
from numpy.typing import NDArray

from lanewright.publish.report.findings import Findings
from lanewright.results import Scouting
from lanewright.settings.config import Config
from lanewright.visit.outing import Spot, as_published


def findings_of(
    config: Config,
    scouting: Scouting,
    layers: Mapping[str, gpd.GeoDataFrame],
    rasters: Mapping[str, NDArray[Any]],
    summary: Mapping[str, Any],
    arrival: Spot | None = None,
) -> Findings:
    """Gather what the page needs; layers, rasters and summary as they are published."""
    vegetation = scouting.vegetation
    return Findings(
        config=config,
        grid=scouting.survey.grid,
        inside=scouting.survey.inside,
        layers={name: as_published(name, frame) for name, frame in layers.items()},
        rasters=rasters,
        # What tells of time would make equal results unequal pages.
        summary={key: value for key, value in summary.items() if key != "stages"},
        columns=vegetation.columns if vegetation is not None else None,
        flights=scouting.flights,
        trimmed=scouting.trim.per_leg if len(scouting.trim.per_leg) else None,
        proposals=scouting.layouts.proposals,
        arrival=(arrival.x, arrival.y) if arrival is not None else None,
    )
