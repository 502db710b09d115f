"""Where cells of the analysis grid lie on a source's, line by line, and how wide their kernels are: compiled.

Used by the kernels that add source cells up and by those that name them, which therefore mean the same cells.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base import compiled as door

compiled: Any = door.compiled  # kernels of coordinates carry no types
compiled_no_refcount: Any = door.compiled_no_refcount
FAR = 1e15  # a place further off lies on no source


class Squares(NamedTuple):
    """`Coordinates` as the kernels take them."""

    u: npt.NDArray[np.float64]
    v: npt.NDArray[np.float64]
    exact: npt.NDArray[np.int32]
    exact_u: npt.NDArray[np.float64]
    exact_v: npt.NDArray[np.float64]
    step: int
    row: int
    col: int


class Line(NamedTuple):
    """Squares side by side that are done at once, and which of their cells."""

    i: int  # their row
    begin: int
    end: int
    step: int
    ahead: int  # cells of the first square before the window
    n: int  # cells


@compiled_no_refcount
def places(nodes, exact_places, exact, line, down, sub, per_col, per_row, out):  # type: ignore[no-untyped-def]
    """Source columns, or rows, along a line through squares: `down` cells below their top, `sub` points a cell."""
    step, ahead, k = line.step, line.ahead, 0
    f, part, across = down / step, 1.0 / step, 1.0 / sub  # a step is a power of two: dividing by it is exact
    for j in range(line.begin, line.end):
        to = out[k : min(k + (step - ahead) * sub, line.n * sub)]
        at, i = exact[line.i, j], line.i
        if at < 0:
            left = nodes[i, j] + f * (nodes[i + 1, j] - nodes[i, j])
            slope = nodes[i, j + 1] + f * (nodes[i + 1, j + 1] - nodes[i, j + 1]) - left
            for m in range(to.size):
                to[m] = left + slope * ((ahead + (m + 0.5) * across) * part)
        else:
            row = int(down)
            below = down - (row + 0.5)
            for m in range(to.size):
                place = ahead + (m + 0.5) * across
                col = int(place)
                to[m] = exact_places[at, row, col] + per_row * below + per_col * (place - (col + 0.5))
        k, ahead = k + to.size, 0


@compiled_no_refcount
def box(u, i, j, step, at, along, down):  # type: ignore[no-untyped-def]
    """How far the bilinear surface is averaged in a square, in source cells along one axis of the source."""
    wide = math.hypot(along, down)
    if at < 0:
        wide = math.hypot(u[i, j + 1] - u[i, j], u[i + 1, j] - u[i, j]) / step
    # variances add: the hat's own and the box's make those of the analysis cell; none where it is not wider
    return math.sqrt(wide * wide - 1.0) if wide > 1.0 + 1e-9 else 0.0


@compiled_no_refcount
def kernel_size(wide):  # type: ignore[no-untyped-def]
    """Source cells that the kernel can touch: a fixed number for a square, whole cells of its support."""
    return math.floor(wide) + (3 if wide > 0.0 else 2)


@compiled_no_refcount
def below(t):  # type: ignore[no-untyped-def]
    """Integral of the hat function max(0, 1 - |x|) up to t."""
    t = min(max(t, -1.0), 1.0)
    return 0.5 + t - 0.5 * t * abs(t)
