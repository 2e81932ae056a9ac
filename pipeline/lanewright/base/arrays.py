"""Names for the arrays that the package hands about."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Raster = NDArray[np.float32]
