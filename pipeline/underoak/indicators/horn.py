"""Compiled kernels for the gradient of a height field. Float64 inside, one cell a pure function of its nine cells."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from underoak.raster import FloatArray

Doubles = npt.NDArray[np.float64]
DEGREES = 180.0 / math.pi


@njit(cache=True, nogil=True)
def _gradient(z: FloatArray, row: int, col: int, ground: Doubles) -> tuple[float, float]:
    """Rise per metre towards east and north at one cell; NaN when any of the nine cells is."""
    a, b, c = np.float64(z[row - 1, col - 1]), np.float64(z[row - 1, col]), np.float64(z[row - 1, col + 1])
    d, e, f = np.float64(z[row, col - 1]), np.float64(z[row, col]), np.float64(z[row, col + 1])
    g, h, i = np.float64(z[row + 1, col - 1]), np.float64(z[row + 1, col]), np.float64(z[row + 1, col + 1])
    across = (c + 2.0 * f + i) - (a + 2.0 * d + g)
    down = (g + 2.0 * h + i) - (a + 2.0 * b + c)
    if e != e:  # the stencil skips the centre, but a cell without height has no slope
        across = e
    east = ground[row, 0] * across + ground[row, 1] * down
    north = ground[row, 2] * across + ground[row, 3] * down
    return east, north


@njit(cache=True, nogil=True)
def slope(z: FloatArray, ground: Doubles, out: FloatArray) -> None:
    """Steepness [degree] into `out`, less the rim."""
    for row in range(1, z.shape[0] - 1):
        for col in range(1, z.shape[1] - 1):
            east, north = _gradient(z, row, col, ground)
            out[row, col] = math.atan(math.sqrt(east * east + north * north)) * DEGREES


@njit(cache=True, nogil=True)
def aspect(z: FloatArray, ground: Doubles, out: FloatArray) -> None:
    """Downhill bearing [degree] into `out`, less the rim and flat ground."""
    for row in range(1, z.shape[0] - 1):
        for col in range(1, z.shape[1] - 1):
            east, north = _gradient(z, row, col, ground)
            if east == 0.0 and north == 0.0:
                continue  # flat ground faces nowhere
            bearing = np.float32(math.atan2(-east, -north) * DEGREES)
            if bearing < 0.0:
                bearing = np.float32(bearing + np.float32(360.0))
            out[row, col] = bearing if bearing != 360.0 else np.float32(0.0)


@njit(cache=True, nogil=True)
def facing(z: FloatArray, ground: Doubles, to_east: float, to_north: float, out: FloatArray) -> None:
    """Cosine of the angle between downhill and a direction into `out`, less the rim; 0 where flat."""
    for row in range(1, z.shape[0] - 1):
        for col in range(1, z.shape[1] - 1):
            east, north = _gradient(z, row, col, ground)
            steep = math.sqrt(east * east + north * north)
            if steep == 0.0:
                out[row, col] = 0.0
            else:
                out[row, col] = -(east * to_east + north * to_north) / steep
