"""The type of a raster in memory: float32 values (rows, cols); NaN is missing and nothing else is."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float32]
