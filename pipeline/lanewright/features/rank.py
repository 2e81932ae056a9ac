"""Which features to see first: worth times certainty, and each further one of a kind for less."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
import shapely

from lanewright.base.arrays import Floats
from lanewright.features.found import Found
from lanewright.settings.features import FeaturesSettings


def worth_of(found: Sequence[Found], settings: FeaturesSettings) -> Floats:
    """Worth of each feature, 0-1: of its kind, by what the kind weighs and how rare it is here."""
    count = Counter(f.kind for f in found)
    return np.array(
        [
            f.worth * float(getattr(settings.weights, f.kind)) / count[f.kind] ** settings.rarity
            for f in found
        ]
    )


def strongest(found: Sequence[Found], most: int) -> list[Found]:
    """At most so many of each kind, the best by worth and certainty; ties by place."""
    order = sorted(found, key=lambda f: (-f.worth * f.certainty, f.line.coords[0]))
    count: Counter[str] = Counter()
    kept = []
    for f in order:
        count[f.kind] += 1
        if count[f.kind] <= most:
            kept.append(f)
    return kept


def order_of(found: Sequence[Found], value: Floats, settings: FeaturesSettings) -> list[int]:
    """Numbers of the features, first to be seen first.

    `value` (n,) is worth times certainty. One by one the best of the rest is taken, where each
    counts less for every one of its kind taken before it, and less again where half of it lies
    within `near` of any.
    """
    lines = np.array([f.line for f in found], object)
    around = shapely.buffer(lines, settings.near)
    length = np.maximum(shapely.length(lines), 1e-9)
    factor = np.ones(len(found))
    left = list(range(len(found)))
    taken: Counter[str] = Counter()
    order: list[int] = []
    while left:
        # What is shown has room for all kinds: one that had its share waits for the others.
        free = [k for k in left if taken[found[k].kind] < settings.first_of_kind]
        among = free if len(order) < settings.shown and free else left
        best = max(among, key=lambda k: (value[k] * factor[k], -k))
        taken[found[best].kind] += 1
        left.remove(best)
        order.append(best)
        rest = np.array(left, np.int64)
        same = np.array([found[k].kind == found[best].kind for k in left], bool)
        factor[rest[same]] *= settings.repeat
        inside = shapely.length(shapely.intersection(lines[rest], around[best]))
        factor[rest[inside >= 0.5 * length[rest]]] *= settings.near_share
    return order
