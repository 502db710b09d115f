"""Relief around a cell: topographic position, ruggedness and curvature.

Rows run from north to south and sides are as in `terrain.slope`. Heights count to the millimetre, within 30 km of sea
level, so that sums over many cells are exact in any window.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.indicators.cell_frame import Size, distance_frame, heights

RUGGEDNESS = ("riley", "mean")


def topographic_position(
    elevation: FloatArray,
    dx: Size,
    dy: Size,
    turn: Size = 0.0,
    corner: Size = 90.0,
    radius: float = 300.0,
    inner: float = 0.0,
) -> FloatArray:
    """Return the height [m] above the mean of the cells within `radius` [m], itself included, (rows, cols).

    With `inner` [m] only cells at least so far away count, which makes a ring. Above 0 on ridges, below in hollows.
    Cells beyond the edge or without height are left out; missing where they are more than half. `turn` changes nothing.
    Source: after Weiss 2001, from memory.

    >>> import numpy as np
    >>> hill = np.zeros((5, 5), "float32")
    >>> hill[2, 2] = 9.0
    >>> float(topographic_position(hill, 10, 10, radius=15)[2, 2])
    8.0
    """
    return _position(elevation, dx, dy, corner, radius, inner, False)


def topographic_position_standardised(
    elevation: FloatArray,
    dx: Size,
    dy: Size,
    turn: Size = 0.0,
    corner: Size = 90.0,
    radius: float = 300.0,
    inner: float = 0.0,
) -> FloatArray:
    """Return the topographic position in standard deviations of the heights around, (rows, cols); 0 where level.

    Above 1 is a ridge and below -1 a valley by a common reading. Arguments and source as in `topographic_position`.

    >>> import numpy as np
    >>> ramp = np.tile(np.float32([0, 1, 2, 3, 4]), (5, 1))
    >>> [round(float(z), 3) for z in topographic_position_standardised(ramp, 10, 10, radius=20)[2, 1:4]]
    [-0.186, 0.0, 0.186]
    """
    return _position(elevation, dx, dy, corner, radius, inner, True)


def ruggedness(elevation: FloatArray, method: str = "riley") -> FloatArray:
    """Return the root of the summed squared differences in height [m] from the eight neighbours, (rows, cols).

    `method` "mean" takes the mean of the absolute differences. It depends on the size of the cells. The rim is missing,
    and every cell with a missing neighbour.
    Source: Riley, DeGloria and Elliot 1999, from memory; the mean by common practice.

    >>> import numpy as np
    >>> hill = np.zeros((3, 3), "float32")
    >>> hill[1, 1] = 2.0
    >>> round(float(ruggedness(hill)[1, 1]), 4), float(ruggedness(hill, "mean")[1, 1])
    (5.6569, 2.0)
    """
    from underoak.indicators.terrain import relief_kernels as kernels

    if method not in RUGGEDNESS:
        raise ValueError(f'method is one of {", ".join(RUGGEDNESS)}, not "{method}"')
    z = heights(elevation)
    out = np.full(z.shape, np.nan, np.float32)
    kernels.ruggedness(z, method == "mean", out)
    return out


def profile_curvature(elevation: FloatArray, dx: Size, dy: Size, turn: Size = 0.0, corner: Size = 90.0) -> FloatArray:
    """Return the curvature downhill [1/m], (rows, cols): below 0 where the slope eases off, as at a foot; 0 where flat.

    Sides as in `slope`. The rim is missing, and every cell with a missing cell among its nine. Source: Zevenbergen and
    Thorne 1987, from memory; 0 on flat land by common practice.

    >>> import numpy as np
    >>> x, y = np.meshgrid([10.0, 20.0, 30.0], [25.0, 15.0, 5.0])
    >>> round(float(profile_curvature((x**2 + y**2) / 200, 10, 10)[1, 1]), 6)
    -0.01
    """
    return _curved(elevation, dx, dy, corner, False)


def plan_curvature(elevation: FloatArray, dx: Size, dy: Size, turn: Size = 0.0, corner: Size = 90.0) -> FloatArray:
    """Return the curvature across the slope [1/m], (rows, cols): above 0 where water runs together; 0 where flat.

    Arguments and source as in `profile_curvature`.

    >>> import numpy as np
    >>> x, y = np.meshgrid([10.0, 20.0, 30.0], [25.0, 15.0, 5.0])
    >>> round(float(plan_curvature((x**2 + y**2) / 200, 10, 10)[1, 1]), 6)
    0.01
    """
    return _curved(elevation, dx, dy, corner, True)


def _position(
    elevation: Any, dx: Size, dy: Size, corner: Size, radius: float, inner: float, in_deviations: bool
) -> FloatArray:
    from underoak.indicators.terrain import relief_kernels as kernels

    if not 0.0 <= inner < radius:
        raise ValueError(f"a ring from {inner:g} to {radius:g} m holds nothing")
    z, steps, out = distance_frame(elevation, dx, dy, corner)
    kernels.position(z, steps, radius, inner, in_deviations, out)
    return out


def _curved(elevation: Any, dx: Size, dy: Size, corner: Size, is_plan: bool) -> FloatArray:
    from underoak.indicators.terrain import relief_kernels as kernels

    z, steps, out = distance_frame(elevation, dx, dy, corner)
    kernels.curvature(z, steps, is_plan, out)
    return out
