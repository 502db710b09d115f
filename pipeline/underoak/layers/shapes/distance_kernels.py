"""Compiled kernel: from cells to the nearest of many straight pieces. Blocks only leave out what cannot be nearest."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled, compiled_checked

Doubles = npt.NDArray[np.float64]
BLOCK = 32  # cells


@compiled_checked
def _squared(piece: Doubles, u: float, v: float, step: Doubles) -> float:
    """Squared metres from a place to a piece."""
    ax, ay = (piece[0] - u) * step[0] + (piece[1] - v) * step[1], (piece[1] - v) * step[2]
    bx, by = (piece[2] - u) * step[0] + (piece[3] - v) * step[1], (piece[3] - v) * step[2]
    x, y = bx - ax, by - ay
    length = x * x + y * y
    along = 0.0 if length == 0.0 else min(max(-(ax * x + ay * y) / length, 0.0), 1.0)
    px, py = ax + along * x, ay + along * y
    squared: float = px * px + py * py
    return squared


@compiled_checked
def _bend(steps: Doubles, first: int, stop: int, middle: int) -> float:
    """How far, as a share, lengths measured by any of the rows may be off those by the middle one."""
    a, b, c = steps[middle]
    most = 0.0
    for row in range(first, stop):
        if steps[row, 0] == steps[row, 0]:
            one = steps[row, 0] / a - 1.0
            two = steps[row, 1] / c - steps[row, 0] / a * b / c
            three = steps[row, 2] / c - 1.0
            most = max(most, math.sqrt(one * one + two * two + three * three))
    return most + 1e-9


@compiled
def nearest(
    pieces: Doubles, steps: Doubles, row: int, col: int, within: float, inside: npt.NDArray[np.bool_], out: FloatArray
) -> None:
    """Metres to the nearest piece, `within` at most and 0 inside, on a window that starts at (row, col)."""
    rows, cols = out.shape
    rough = np.empty(len(pieces), np.float64)
    kept = np.empty(len(pieces), np.int64)
    top = row // BLOCK * BLOCK
    while top < row + rows:
        first, stop = max(top, row), min(top + BLOCK, row + rows)
        middle = (first + stop) // 2 - row
        left = col // BLOCK * BLOCK
        while left < col + cols:
            begin, end = max(left, col), min(left + BLOCK, col + cols)
            step, bend = steps[middle], _bend(steps, first - row, stop - row, middle)
            count = 0
            if step[0] == step[0] and bend < 0.5:
                half = abs(step[0]) * (end - begin) / 2.0 + (abs(step[1]) + abs(step[2])) * (stop - first) / 2.0
                least = np.inf
                for n in range(len(pieces)):
                    rough[n] = math.sqrt(_squared(pieces[n], (begin + end) / 2.0, (first + stop) / 2.0, step))
                    least = min(least, rough[n])
                most = min((1.0 + bend) * (least + half), within * (1.0 + 1e-9))
                for n in range(len(pieces)):
                    if (1.0 - bend) * (rough[n] - half) <= most:
                        kept[count] = n
                        count += 1
            else:
                for n in range(len(pieces)):
                    kept[n] = n
                count = len(pieces)
            for r in range(first, stop):
                if steps[r - row, 0] != steps[r - row, 0]:
                    continue
                for c in range(begin, end):
                    best = within * within
                    if inside[r - row, c - col]:
                        best = 0.0
                    else:
                        for n in range(count):
                            best = min(best, _squared(pieces[kept[n]], c + 0.5, r + 0.5, steps[r - row]))
                    out[r - row, c - col] = math.sqrt(best)
            left += BLOCK
        top += BLOCK
