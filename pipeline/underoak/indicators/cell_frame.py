"""Sides of cells in the form that kernels take, one line for each row."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray

Doubles = npt.NDArray[np.float64]
Size = float | Doubles


def heights(elevation: Any) -> FloatArray:
    """Return heights as the kernels take them, float32 (rows, cols).

    Raises:
        ValueError: when they have another shape.
    """
    z = np.ascontiguousarray(elevation, np.float32)
    if z.ndim != 2:
        raise ValueError(f"heights are (rows, cols), got {z.shape}")
    return z


def gradient_matrix(rows: int, dx: Size, dy: Size, turn: Size, corner: Size) -> Doubles:
    """Return the matrix from the eight-neighbour differences to the rise per metre east and north, (rows, 4)."""
    dx, dy, turn, corner = _by_row(rows, dx, dy, turn, corner)
    across, down = 90.0 + turn, 90.0 + turn + corner  # bearings of the two sides
    with np.errstate(all="ignore"):
        det = -_sin(corner)
        scaled = np.stack([_cos(down) / dx, -_cos(across) / dy, -_sin(down) / dx, _sin(across) / dy], axis=1) / (
            8.0 * det[:, None]
        )
    sized = np.isfinite(dx) & np.isfinite(dy) & np.isfinite(scaled).all(axis=1)
    scaled[~sized] = np.nan  # a cell of no size, as at a pole, has no slope
    return scaled + 0.0  # no negative zeros


def frame(rows: int, dx: Size, dy: Size, corner: Size) -> Doubles:
    """Return steps [m] in the frame of the rows, (rows, 3): across; down along the row; down away from it.

    A cell `i` across and `k` down lies at (i a + k b, k c). NaN in rows whose cells have no size.

    >>> frame(1, 30.0, 20.0, 90.0).tolist()
    [[30.0, 0.0, 20.0]]
    """
    dx, dy, corner = _by_row(rows, dx, dy, corner)
    steps = np.stack([dx, dy * _cos(corner), dy * _sin(corner)], axis=1)
    with np.errstate(invalid="ignore"):
        steps[~(np.isfinite(steps).all(axis=1) & (steps[:, 0] != 0.0) & (steps[:, 2] != 0.0))] = np.nan
    return steps + 0.0


def on_ground(elevation: Any, dx: Size, dy: Size, turn: Size, corner: Size) -> tuple[FloatArray, Doubles, FloatArray]:
    """Return what kernels of gradients take: `heights`, their `gradient_matrix`, and results, all missing."""
    z = heights(elevation)
    return z, gradient_matrix(z.shape[0], dx, dy, turn, corner), np.full_like(z, np.nan)


def distance_frame(elevation: Any, dx: Size, dy: Size, corner: Size) -> tuple[FloatArray, Doubles, FloatArray]:
    """Return what kernels of distances take: `heights`, their `frame`, and results, all missing."""
    z = heights(elevation)
    return z, frame(z.shape[0], dx, dy, corner), np.full_like(z, np.nan)


def _by_row(rows: int, *sizes: Size) -> tuple[Doubles, ...]:
    return tuple(np.broadcast_to(np.asarray(size, np.float64), (rows,)) for size in sizes)


def _sin(degrees: Doubles) -> Doubles:
    """Return the sine, exact at quarter turns."""
    value: Doubles = np.sin(np.deg2rad(degrees))
    value[np.abs(value) < 1e-15] = 0.0
    return value


def _cos(degrees: Doubles) -> Doubles:
    return _sin(degrees + 90.0)
