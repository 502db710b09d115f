"""Kernels for the gradient of heights. Float64 inside; a cell is a pure function of its nine cells."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled, compiled_checked

Doubles = npt.NDArray[np.float64]
DEGREES = 180.0 / math.pi
_ANGLES = tuple(math.pi * k / 8 for k in (1, 2, 3, 4))
_TANS = tuple(math.tan(angle) for angle in _ANGLES[:3])
_CHANGES = tuple(math.tan(math.pi * k / 16) for k in (1, 3, 5, 7))  # halfway between the angles


@compiled
def _differences(above: FloatArray, here: FloatArray, under: FloatArray, col: int) -> tuple[float, float]:
    """Return eight times the rise across and down at one cell of three rows; NaN if any of the nine cells is."""
    a, b, c = np.float64(above[col - 1]), np.float64(above[col]), np.float64(above[col + 1])
    d, e, f = np.float64(here[col - 1]), np.float64(here[col]), np.float64(here[col + 1])
    g, h, i = np.float64(under[col - 1]), np.float64(under[col]), np.float64(under[col + 1])
    across = (c + 2.0 * f + i) - (a + 2.0 * d + g)
    # the stencil skips the centre, but a cell without height has no slope
    return across if e == e else e, (g + 2.0 * h + i) - (a + 2.0 * b + c)


@compiled
def gradient(z: FloatArray, row: int, col: int, ground: Doubles) -> tuple[float, float]:
    """Return the rise per metre towards east and north at one cell."""
    across, down = _differences(z[row - 1], z[row], z[row + 1], col)
    return ground[row, 0] * across + ground[row, 1] * down, ground[row, 2] * across + ground[row, 3] * down


@compiled
def arctan(x: float) -> float:
    """Return the angle [radian] of a tangent from 0 on: the nearest eighth of half a turn, and a series for the rest.

    It has the same digits on every machine, unlike the system's function, and takes several cells at a time. Errors
    stay below 3e-12; an angle is stored with seven digits.
    """
    tan, angle = 0.0, 0.0
    for k in range(3):
        tan = _TANS[k] if x > _CHANGES[k] else tan
        angle = _ANGLES[k] if x > _CHANGES[k] else angle
    is_steep = x > _CHANGES[3]
    angle = _ANGLES[3] if is_steep else angle
    s = (-1.0 if is_steep else x - tan) / (x if is_steep else 1.0 + tan * x)
    z = s * s
    return angle + (s - s * z * (1 / 3 - z * (1 / 5 - z * (1 / 7 - z * (1 / 9 - z * (1 / 11 - z * (1 / 13)))))))


@compiled
def slope(z: FloatArray, ground: Doubles, out: FloatArray) -> None:
    """Write the slope [degree] into `out`, less the rim."""
    rise = np.empty(z.shape[1])  # in a loop of its own: both together need more than the processor has room for
    for row in range(1, z.shape[0] - 1):
        above, here, under, to = z[row - 1], z[row], z[row + 1], out[row]
        a, b, c, d = ground[row, 0], ground[row, 1], ground[row, 2], ground[row, 3]
        for col in range(1, z.shape[1] - 1):
            across, down = _differences(above, here, under, col)
            east, north = a * across + b * down, c * across + d * down
            rise[col] = math.sqrt(east * east + north * north)
        for col in range(1, z.shape[1] - 1):
            to[col] = np.float32(arctan(rise[col]) * DEGREES)


@compiled
def aspect(z: FloatArray, ground: Doubles, out: FloatArray) -> None:
    """Write the downhill bearing [degree] into `out`, less the rim and flat cells."""
    for row in range(1, z.shape[0] - 1):
        for col in range(1, z.shape[1] - 1):
            east, north = gradient(z, row, col, ground)
            if east == 0.0 and north == 0.0:
                continue  # a flat cell has no aspect
            bearing = np.float32(math.atan2(-east, -north) * DEGREES)
            if bearing < 0.0:
                bearing = np.float32(bearing + np.float32(360.0))
            out[row, col] = bearing if bearing != 360.0 else np.float32(0.0)


@compiled_checked
def facing(z: FloatArray, ground: Doubles, to_east: float, to_north: float, out: FloatArray) -> None:
    """Write the cosine of the angle between downhill and a direction into `out`, less the rim; 0 where flat."""
    for row in range(1, z.shape[0] - 1):
        for col in range(1, z.shape[1] - 1):
            east, north = gradient(z, row, col, ground)
            steep = math.sqrt(east * east + north * north)
            if steep == 0.0:
                out[row, col] = 0.0
            else:
                out[row, col] = -(east * to_east + north * to_north) / steep
