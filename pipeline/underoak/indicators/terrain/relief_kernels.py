"""Kernels for relief. Sums are of whole millimetres, so that no window changes them."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled, compiled_checked
from underoak.indicators.cell_frame import Doubles

Longs = npt.NDArray[np.int64]
MOST = 30_000.0  # metres from sea level: squares of millimetres of a few thousand cells then fit in 63 bits
LEVEL = 1.0  # square millimetres of variance that count as none


@compiled_checked
def span(k: int, step: Doubles, radius: float) -> tuple[int, int]:
    """Return the first and last column, from a cell's own, of the cells `k` rows down within `radius`."""
    down = k * step[2]
    square = radius * radius - down * down
    if not square >= 0.0:
        return 1, 0
    half, middle = math.sqrt(square), -k * step[1]
    a, b = (middle - half) / step[0], (middle + half) / step[0]
    return math.ceil(min(a, b) - 1e-9), math.floor(max(a, b) + 1e-9)


@compiled
def _running(z: FloatArray, sums: Longs, squares: Longs, counts: Longs) -> None:
    """Write running sums over each row, in millimetres, (rows, cols + 1)."""
    for row in range(z.shape[0]):
        total, square, count = np.int64(0), np.int64(0), np.int64(0)
        for col in range(z.shape[1]):
            if abs(z[row, col]) <= MOST:  # never of a missing one
                millimetres = np.int64(math.floor(np.float64(z[row, col]) * 1000.0 + 0.5))
                total += millimetres
                square += millimetres * millimetres
                count += 1
            sums[row, col + 1] = total
            squares[row, col + 1] = square
            counts[row, col + 1] = count


@compiled_checked
def position(z: FloatArray, steps: Doubles, radius: float, inner: float, in_deviations: bool, out: FloatArray) -> None:
    """Write the height less the mean around, in metres or deviations, into `out`."""
    rows, cols = z.shape
    sums, squares = np.zeros((rows, cols + 1), np.int64), np.zeros((rows, cols + 1), np.int64)
    counts = np.zeros((rows, cols + 1), np.int64)
    _running(z, sums, squares, counts)
    for row in range(rows):
        step = steps[row]
        if step[0] != step[0]:
            continue
        reach = math.floor(radius / abs(step[2]) + 1e-9)
        lines = 2 * reach + 1
        outer = np.empty((lines, 2), np.int64)
        hole = np.empty((lines, 2), np.int64)
        possible = np.int64(0)
        for n in range(lines):
            outer[n, 0], outer[n, 1] = span(n - reach, step, radius)
            hole[n, 0], hole[n, 1] = 1, 0
            if inner > 0.0:
                hole[n, 0], hole[n, 1] = span(n - reach, step, inner * (1.0 - 1e-9))
            possible += outer[n, 1] - outer[n, 0] + 1 - max(hole[n, 1] - hole[n, 0] + 1, 0)
        for col in range(cols):
            if not abs(z[row, col]) <= MOST:
                continue
            total, count, square = np.int64(0), np.int64(0), 0.0
            for n in range(lines):
                other_row = row + n - reach
                if other_row < 0 or other_row >= rows:
                    continue
                first, end = max(col + outer[n, 0], 0), min(col + outer[n, 1] + 1, cols)
                if end <= first:
                    continue
                line = squares[other_row, end] - squares[other_row, first]
                total += sums[other_row, end] - sums[other_row, first]
                count += counts[other_row, end] - counts[other_row, first]
                first, end = max(col + hole[n, 0], 0), min(col + hole[n, 1] + 1, cols)
                if end > first:
                    line -= squares[other_row, end] - squares[other_row, first]
                    total -= sums[other_row, end] - sums[other_row, first]
                    count -= counts[other_row, end] - counts[other_row, first]
                square += np.float64(line)
            if count == 0 or 2 * count < possible:
                continue
            mean = total / count
            above = math.floor(np.float64(z[row, col]) * 1000.0 + 0.5) - mean
            if in_deviations:
                variance = square / count - mean * mean
                out[row, col] = above / math.sqrt(variance) if variance >= LEVEL else 0.0
            else:
                out[row, col] = above / 1000.0


@compiled
def ruggedness(z: FloatArray, is_mean: bool, out: FloatArray) -> None:
    """Write the root of squared differences from the eight neighbours, or their mean, into `out`, less the rim."""
    for row in range(1, z.shape[0] - 1):
        for col in range(1, z.shape[1] - 1):
            centre, total = np.float64(z[row, col]), 0.0
            for down in range(-1, 2):
                for across in range(-1, 2):
                    off = np.float64(z[row + down, col + across]) - centre
                    total += abs(off) if is_mean else off * off
            out[row, col] = total / 8.0 if is_mean else math.sqrt(total)


@compiled_checked
def curvature(z: FloatArray, steps: Doubles, is_plan: bool, out: FloatArray) -> None:
    """Write the profile or plan curvature into `out`, less the rim."""
    for row in range(1, z.shape[0] - 1):
        a, b, c = steps[row]
        to_x, to_xy, to_y = 1.0 / a, -b / (a * c), 1.0 / c
        for col in range(1, z.shape[1] - 1):
            centre = np.float64(z[row, col])
            left, right = np.float64(z[row, col - 1]), np.float64(z[row, col + 1])
            above, below = np.float64(z[row - 1, col]), np.float64(z[row + 1, col])
            corners = np.float64(z[row - 1, col - 1]) - np.float64(z[row - 1, col + 1])
            corners += np.float64(z[row + 1, col + 1]) - np.float64(z[row + 1, col - 1])
            uu, vv, uv = left + right - 2.0 * centre, above + below - 2.0 * centre, corners / 4.0
            u, v = (right - left) / 2.0, (below - above) / 2.0
            x, y = to_x * u, to_xy * u + to_y * v
            xx = to_x * to_x * uu
            xy = to_x * (to_xy * uu + to_y * uv)
            yy = to_xy * to_xy * uu + 2.0 * to_xy * to_y * uv + to_y * to_y * vv
            steep = x * x + y * y
            if steep == 0.0 and uv == uv:
                out[row, col] = 0.0
            elif is_plan:
                out[row, col] = (xx * y * y + yy * x * x - 2.0 * xy * x * y) / steep
            else:
                out[row, col] = -(xx * x * x + yy * y * y + 2.0 * xy * x * y) / steep
