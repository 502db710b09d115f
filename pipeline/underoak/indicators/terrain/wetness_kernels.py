"""Kernels for the wetness index: the steepest way down, and the index itself. Float64 inside."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled_checked
from underoak.indicators.cell_frame import Doubles

_DOWN = np.array([0, 1, 1, 1, 0, -1, -1, -1])
_ACROSS = np.array([1, 1, 0, -1, -1, -1, 0, 1])
_CODES = np.array([1, 2, 4, 8, 16, 32, 64, 128], np.uint8)


@compiled_checked
def steepest(z: Doubles, steps: Doubles, first: int, stop: int, ways: npt.NDArray[np.uint8]) -> None:
    """Write the steepest way down into `ways`, columns first..stop; cells without a fall stay as they are."""
    rows, cols = z.shape
    for row in range(rows):
        a, b, c = steps[row]
        for col in range(first, stop):
            most = 0.0
            for n in range(8):
                i, k = _ACROSS[n], _DOWN[n]
                r, s = row + k, col + i
                if r < 0 or r >= rows or s < 0 or s >= cols:
                    continue
                x, y = i * a + k * b, k * c
                fall = (z[row, col] - z[r, s]) / math.sqrt(x * x + y * y)
                if fall > most:
                    most = fall
                    ways[row, col] = _CODES[n]


@compiled_checked
def index(
    z: Doubles, ground: Doubles, drained: Doubles, areas: Doubles, low: float, first: int, stop: int, out: FloatArray
) -> None:
    """Write ln(drained area per metre of width / tan slope) into `out`, columns first..stop less the rim."""
    for row in range(1, z.shape[0] - 1):
        for col in range(max(first, 1), min(stop, z.shape[1] - 1)):
            across = (z[row - 1, col + 1] + 2.0 * z[row, col + 1] + z[row + 1, col + 1]) - (
                z[row - 1, col - 1] + 2.0 * z[row, col - 1] + z[row + 1, col - 1]
            )
            down = (z[row + 1, col - 1] + 2.0 * z[row + 1, col] + z[row + 1, col + 1]) - (
                z[row - 1, col - 1] + 2.0 * z[row - 1, col] + z[row - 1, col + 1]
            )
            east = ground[row, 0] * across + ground[row, 1] * down
            north = ground[row, 2] * across + ground[row, 3] * down
            steep = math.sqrt(east * east + north * north)
            if steep == steep and z[row, col] == z[row, col]:
                out[row, col] = math.log(drained[row, col] / math.sqrt(areas[row, col]) / max(steep, low))
