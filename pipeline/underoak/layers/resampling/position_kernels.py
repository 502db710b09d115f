"""Compiled positions of analysis cells on the source grid, line by line, and the width of their kernels.

Shared by the kernels that add source cells up and by those that name them, so that both use the same cells.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base.compiled import compiled_no_refcount

Doubles = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int32]
Indices = npt.NDArray[np.int64]
Singles = npt.NDArray[np.float32]

NEAREST, BILINEAR, MEAN, MODE, SHARE = range(5)  # methods, in the order of `resample.METHODS`
FAR = 1e15  # a position beyond lies on no source


class Squares(NamedTuple):
    """A set of `Coordinates` in the form that kernels take."""

    u: Doubles
    v: Doubles
    exact: Ints
    exact_u: Doubles
    exact_v: Doubles
    step: int
    row: int
    col: int


class Line(NamedTuple):
    """A line of cells through squares side by side, which are computed at once."""

    i: int  # their row
    begin: int
    end: int
    step: int
    ahead: int  # cells of the first square before the window
    n: int  # cells


@compiled_no_refcount
def positions(nodes: Doubles, exact_positions: Doubles, exact: Ints, line: Line, row: int, out: Doubles) -> None:
    """Fill `out` with source columns (or rows) of the cells of a line, in a row of the squares."""
    step, ahead, k = line.step, line.ahead, 0
    f, part = (row + 0.5) / step, 1.0 / step  # a step is a power of two: dividing by it is exact
    for j in range(line.begin, line.end):
        target = out[k : min(k + step - ahead, line.n)]
        i_exact, i = exact[line.i, j], line.i
        if i_exact < 0:
            left = nodes[i, j] + f * (nodes[i + 1, j] - nodes[i, j])
            slope = nodes[i, j + 1] + f * (nodes[i + 1, j + 1] - nodes[i, j + 1]) - left
            for m in range(target.size):
                target[m] = left + slope * ((ahead + (m + 0.5)) * part)
        else:
            for m in range(target.size):
                target[m] = exact_positions[i_exact, row, ahead + m]
        k, ahead = k + target.size, 0


@compiled_no_refcount
def box_width(u: Doubles, i: int, j: int, step: int, i_exact: int, along: float, down: float) -> float:
    """Return the width [source cells] of the box that averages the bilinear surface in a square, along one axis."""
    wide = math.hypot(along, down)
    if i_exact < 0:
        wide = math.hypot(u[i, j + 1] - u[i, j], u[i + 1, j] - u[i, j]) / step
    # variances add: the hat's own and the box's make those of the analysis cell; none where it is not wider
    return math.sqrt(wide * wide - 1.0) if wide > 1.0 + 1e-9 else 0.0


@compiled_no_refcount
def kernel_size(wide: float) -> int:
    """Return the number of source cells that the kernel can touch, the same for all cells of a square."""
    return math.floor(wide) + (3 if wide > 0.0 else 2)


@compiled_no_refcount
def hat_integral(t: float) -> float:
    """Return the integral of the hat function max(0, 1 - |x|) up to t."""
    t = min(max(t, -1.0), 1.0)
    return 0.5 + t - 0.5 * t * abs(t)
