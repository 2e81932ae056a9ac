"""A short walk past places: nearest neighbour first, then what 2-opt and or-opt still save."""

from __future__ import annotations

import numpy as np

from lanewright.base.arrays import Floats, Ints
from lanewright.kernels import tour as kernels


def tour(
    starts: Floats,
    ends: Floats | None = None,
    home: tuple[float, float] | None = None,
    *,
    returns: bool = True,
) -> Ints:
    """Order in which to visit places so that the walks between them are short together.

    Parameters
    ----------
    starts : (n, 2)
        Where one comes to each place [m].
    ends : (n, 2)
        Where one leaves it, by default where one came: a hole is come to at its tee and left at
        its basket.
    home
        Where the walk begins and ends; without it, it begins and ends at any place.
    returns
        Whether the walk ends at home too.

    Returns
    -------
    numpy.ndarray
        Rows in the order of the walk; the same for the same places in any order, but for ties.

    Notes
    -----
    Nearest neighbour, then stretches turned round and up to three places carried elsewhere until
    nothing saves a step: Croes 1958 and Or 1976, from memory. No bound holds, but tours of a few
    dozen places come out within a few percent of the shortest. A routing library would search
    longer, by a clock, for an order that nobody follows to the metre.
    """
    starts = np.array(starts, np.float64).reshape(-1, 2)
    both = ends is not None
    ends = np.array(ends, np.float64).reshape(-1, 2) if both else np.empty((0, 2))
    if both and len(starts) != len(ends):
        raise ValueError(f"{len(starts)} starts and {len(ends)} ends")
    order = np.arange(len(starts))
    if len(starts) < 2:
        return order
    # Without a home the walk begins in a corner, the westernmost place.
    first = int(np.lexsort((starts[:, 1], starts[:, 0]))[0])
    place = np.array(home if home is not None else (0.0, 0.0))
    leaves = home is not None
    kernels.tour(starts, ends, place, leaves, leaves and returns, first, order)
    return order
