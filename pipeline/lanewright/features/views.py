"""Views: the places from which one sees farthest over the land."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from lanewright.base.units import both
from lanewright.features.found import Found, Squares, compass, full, peaks
from lanewright.kernels.sight import sight
from lanewright.settings.features import FeaturesSettings

WIDE = 2  # squares a cell of the lattice is wide
EVERY = 3  # cells between two eyes
RAYS = 48
CLEAR = 1.0  # m of growth that an eye at a place may stand in
MOST = 600.0  # m; farther a sight line is no more of a view
CERTAIN = 0.8  # haze, leaves and what stands outside the tiles are not known; ours


def views(land: Squares, settings: FeaturesSettings) -> Iterator[Found]:
    """Places that see farthest over ground and tree tops, the farthest first."""
    thin = (slice(None, None, WIDE), slice(None, None, WIDE))
    cell = land.grid.cell * WIDE
    ground, canopy = land.ground[thin], land.canopy[thin]
    top = (ground + canopy).astype(np.float32)
    clear = land.dry[thin] & (canopy <= CLEAR)
    spaced = np.zeros_like(clear)
    spaced[::EVERY, ::EVERY] = True
    places = np.argwhere(clear & spaced)
    if not len(places):
        return
    longest = np.zeros((len(places), RAYS), np.int64)
    seen = np.zeros_like(longest)
    eyes = ground[places[:, 0], places[:, 1]].astype(np.float64) + settings.eye
    sight(top, places, eyes, compass(RAYS), round(MOST / cell), longest, seen)
    # The land beyond a hedge seen at one ray is a chance: three rays side by side must agree.
    steady = np.minimum(longest, np.minimum(np.roll(longest, 1, 1), np.roll(longest, -1, 1)))
    far = steady.max(1) * cell
    share = seen.sum(1) / max(1, seen.sum(1).max())
    good = np.flatnonzero(far >= settings.view_from)
    score = far[good] * (0.5 + 0.5 * share[good])
    for k in peaks(score, places[good].astype(float), settings.view_apart / cell):
        i = good[k]
        way = compass(RAYS)[int(steady[i].argmax())]
        end = places[i] + way * (far[i] / cell)
        metres = float(far[i])
        line = land.line(places[i] * WIDE, np.rint(end * WIDE).astype(np.int64))
        yield Found(
            kind="view",
            line=line,
            worth=full(metres, 400.0) * (0.5 + 0.5 * float(share[i])),
            certainty=CERTAIN,
            figure=both(metres),
            reason=f"From here one sees {both(metres)} over ground and tree tops.",
            figures={"sight_m": metres},
        )
