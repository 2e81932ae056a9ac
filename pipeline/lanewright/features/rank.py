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
    counts less for every one of its kind taken before it, and less again within `near` of any.
    """
    middles = [f.line.interpolate(0.5, normalized=True) for f in found]
    factor = np.ones(len(found))
    left = list(range(len(found)))
    order: list[int] = []
    while left:
        best = max(left, key=lambda k: (value[k] * factor[k], -k))
        left.remove(best)
        order.append(best)
        for k in left:
            if found[k].kind == found[best].kind:
                factor[k] *= settings.repeat
            if near(middles[k], middles[best], settings.near):
                factor[k] *= settings.near_share
    return order


def near(one: shapely.Point, other: shapely.Point, reach: float) -> bool:
    """Whether two places lie within a reach [m]."""
    return bool(one.distance(other) <= reach)
