"""Points of a survey: the type that carries a block of them through the run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Points:
    """One block of returns in the run's CRS; never the whole cloud.

    Attributes
    ----------
    x, y, z
        Coordinates [m], float64.
    return_number, returns
        Number of this return within its pulse, and how many the pulse had; both at least 1.
    classification
        Point class of the LAS standard.
    gps_time
        Time of the pulse [s]; zero where the file has none.
    source_id
        Flight line.
    """

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    z: NDArray[np.float64]
    return_number: NDArray[np.uint8]
    returns: NDArray[np.uint8]
    classification: NDArray[np.uint8]
    gps_time: NDArray[np.float64]
    source_id: NDArray[np.uint16]

    def __len__(self) -> int:
        return len(self.x)
