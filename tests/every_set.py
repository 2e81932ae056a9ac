"""Least work the plain way: every set of pieces is tried."""

import numpy as np

from lanewright.trim.leastwork import Case, Choice


def brute_force(case: Case, wanted: int) -> Choice:
    """Least work by trying every set of pieces, in small cases.

    Raises
    ------
    ValueError
        If no set of pieces makes so many throws clear.
    """
    n = case.cost.size
    best = None
    least = np.inf
    for number in range(2**n):
        chosen = (number >> np.arange(n)) & 1 > 0
        whole = case.within >= 0
        if (chosen[whole] & chosen[case.within[whole]]).any():
            continue
        cost = float(case.cost[chosen].sum())
        if cost < least - 1e-12 and case.clear(chosen).sum() >= wanted:
            best, least = chosen, cost
    if best is None:
        raise ValueError(f"{case.most} throws can be clear, {wanted} are wanted")
    return Choice(best, least, least)
