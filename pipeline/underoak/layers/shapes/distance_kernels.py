"""Compiled distance from cells to the nearest of many straight pieces; blocks leave out what cannot be nearest."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from underoak.base.compiled import compiled, compiled_checked

Doubles = npt.NDArray[np.float64]
BLOCK = 32  # cells


@compiled_checked
def _squared(piece: Doubles, u: float, v: float, step: Doubles) -> float:
    """Return the squared distance [m2] from a position to a piece."""
    ax, ay = (piece[0] - u) * step[0] + (piece[1] - v) * step[1], (piece[1] - v) * step[2]
    bx, by = (piece[2] - u) * step[0] + (piece[3] - v) * step[1], (piece[3] - v) * step[2]
    x, y = bx - ax, by - ay
    length = x * x + y * y
    along = 0.0 if length == 0.0 else min(max(-(ax * x + ay * y) / length, 0.0), 1.0)
    px, py = ax + along * x, ay + along * y
    squared: float = px * px + py * py
    return squared


@compiled_checked
def _bend(steps: Doubles, first_row: int, stop_row: int, middle: int) -> float:
    """Return the largest share by which lengths measured by any of the rows differ from those by the middle one."""
    a, b, c = steps[middle]
    bend = 0.0
    for row in range(first_row, stop_row):
        if steps[row, 0] == steps[row, 0]:
            one = steps[row, 0] / a - 1.0
            two = steps[row, 1] / c - steps[row, 0] / a * b / c
            three = steps[row, 2] / c - 1.0
            bend = max(bend, math.sqrt(one * one + two * two + three * three))
    return bend + 1e-9


@compiled
def nearest(
    pieces: Doubles,
    steps: Doubles,
    row: int,
    col: int,
    max_distance: float,
    inside: npt.NDArray[np.bool_],
    out: npt.NDArray[np.float32],
) -> None:
    """Fill `out` with the distance [m] to the nearest piece, 0 inside, on a window that starts at (row, col)."""
    rows, cols = out.shape
    distances = np.empty(len(pieces), np.float64)
    candidates = np.empty(len(pieces), np.int64)
    top = row // BLOCK * BLOCK
    while top < row + rows:
        first_row, stop_row = max(top, row), min(top + BLOCK, row + rows)
        middle = (first_row + stop_row) // 2 - row
        left_col = col // BLOCK * BLOCK
        while left_col < col + cols:
            first_col, stop_col = max(left_col, col), min(left_col + BLOCK, col + cols)
            step, bend = steps[middle], _bend(steps, first_row - row, stop_row - row, middle)
            count = 0
            if step[0] == step[0] and bend < 0.5:
                rows_part = (abs(step[1]) + abs(step[2])) * (stop_row - first_row) / 2.0
                half = abs(step[0]) * (stop_col - first_col) / 2.0 + rows_part
                nearest_middle = np.inf
                for n in range(len(pieces)):
                    u, v = (first_col + stop_col) / 2.0, (first_row + stop_row) / 2.0
                    distances[n] = math.sqrt(_squared(pieces[n], u, v, step))
                    nearest_middle = min(nearest_middle, distances[n])
                bound = min((1.0 + bend) * (nearest_middle + half), max_distance * (1.0 + 1e-9))
                for n in range(len(pieces)):
                    if (1.0 - bend) * (distances[n] - half) <= bound:
                        candidates[count] = n
                        count += 1
            else:
                for n in range(len(pieces)):
                    candidates[n] = n
                count = len(pieces)
            for r in range(first_row, stop_row):
                if steps[r - row, 0] != steps[r - row, 0]:
                    continue
                for c in range(first_col, stop_col):
                    best = max_distance * max_distance
                    if inside[r - row, c - col]:
                        best = 0.0
                    else:
                        for n in range(count):
                            best = min(best, _squared(pieces[candidates[n]], c + 0.5, r + 0.5, steps[r - row]))
                    out[r - row, c - col] = math.sqrt(best)
            left_col += BLOCK
        top += BLOCK
