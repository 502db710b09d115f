"""Slope and aspect from heights [m] on cells of known true size.

Rows run from north to south: row 0 is the northern edge. Where a file's rows run north, give a negative `dy`; where its
columns run west, a negative `dx`. The gradient is that of Horn (1981), eight neighbours weighted 1-2-1 (formula from
memory, checked against exact surfaces). The rim, and every cell with a missing cell among its nine, is missing.
"""

from __future__ import annotations

from underoak.base.arrays import FloatArray
from underoak.indicators.cell_frame import Size, on_ground


def slope(elevation: FloatArray, dx: Size, dy: Size, turn: Size = 0.0, corner: Size = 90.0) -> FloatArray:
    """Return the slope [degree, 0..90] of heights [m], (rows, cols).

    `dx`, `dy`: true lengths [m] of a cell across and down, one number or one for each row. `turn`: bearing of the rows,
    clockwise from east [degree]. `corner`: angle from the rows to the columns [degree], 90 for square corners.
    Source: Horn 1981, from memory.

    >>> import numpy as np
    >>> ramp = np.add.outer(0.4 * np.arange(3), 0.3 * np.arange(3)).astype("float32") * 10
    >>> round(float(slope(ramp, 10, 10)[1, 1]), 4)
    26.5651
    """
    from underoak.indicators.terrain import slope_kernels

    z, ground, out = on_ground(elevation, dx, dy, turn, corner)
    slope_kernels.slope(z, ground, out)
    return out


def aspect(elevation: FloatArray, dx: Size, dy: Size, turn: Size = 0.0, corner: Size = 90.0) -> FloatArray:
    """Return the downhill bearing [degree, 0..360), clockwise from north, (rows, cols); missing where flat.

    Arguments as in `slope`. Source: Horn 1981, from memory.

    >>> import numpy as np
    >>> falls_south = np.repeat([[20], [10], [0]], 3, axis=1).astype("float32")
    >>> float(aspect(falls_south, 10, 10)[1, 1])
    180.0
    """
    from underoak.indicators.terrain import slope_kernels

    z, ground, out = on_ground(elevation, dx, dy, turn, corner)
    slope_kernels.aspect(z, ground, out)
    return out


def northness(elevation: FloatArray, dx: Size, dy: Size, turn: Size = 0.0, corner: Size = 90.0) -> FloatArray:
    """Return the cosine of the aspect [-1..1]: 1 faces north, -1 faces south, 0 where flat, (rows, cols).

    Arguments as in `slope`. Source: common practice, no source.

    >>> import numpy as np
    >>> float(northness(np.repeat([[20], [10], [0]], 3, axis=1), 10, 10)[1, 1])
    -1.0
    """
    return _facing(elevation, dx, dy, turn, corner, 0.0, 1.0)


def eastness(elevation: FloatArray, dx: Size, dy: Size, turn: Size = 0.0, corner: Size = 90.0) -> FloatArray:
    """Return the sine of the aspect [-1..1]: 1 faces east, -1 faces west, 0 where flat, (rows, cols).

    Arguments as in `slope`. Source: common practice, no source.

    >>> import numpy as np
    >>> float(eastness(np.repeat([[20, 10, 0]], 3, axis=0), 10, 10)[1, 1])
    1.0
    """
    return _facing(elevation, dx, dy, turn, corner, 1.0, 0.0)


def _facing(
    elevation: FloatArray, dx: Size, dy: Size, turn: Size, corner: Size, to_east: float, to_north: float
) -> FloatArray:
    from underoak.indicators.terrain import slope_kernels

    z, ground, out = on_ground(elevation, dx, dy, turn, corner)
    slope_kernels.facing(z, ground, to_east, to_north, out)
    return out
