"""From source cells to analysis cells: nearest, bilinear, area mean, most common class, share of classes.

The kernels see source cells through coordinates that do not depend on the tile, add in a fixed order, and use no
fast-math: any window of the grid gives the same bits. Weight that falls on missing cells or outside the source is
missing weight; a cell with less than half its weight valid is missing.
"""

from __future__ import annotations

import math
from typing import Literal, get_args

import numpy as np
from numba import njit

from underoak.grid import Window
from underoak.layers.mesh import Coordinates, Mesh
from underoak.raster import FloatArray

Method = Literal["nearest", "bilinear", "mean", "mode", "share"]
METHODS: tuple[str, ...] = get_args(Method)
_NEAREST, _BILINEAR, _MEAN, _MODE, _SHARE = range(5)
_MOST_SAMPLES = 128  # along one side of a cell


def reach(mesh: Mesh, method: str) -> int:
    """Source cells a method looks beyond the cell a centre falls on, rows and columns alike."""
    if method == "nearest":
        return 1
    a, b, c, d = mesh.jacobian
    widest = max(math.hypot(a, b), math.hypot(c, d), 1.0)
    # half again as much where the scale grows away from the middle of the grid
    return math.ceil(1.5 * widest) + 2


def samples(mesh: Mesh) -> int:
    """Sub-samples along a cell's side for the area methods: about two for each source cell, exact for whole ratios."""
    a, b, c, d = mesh.jacobian
    scale = max(math.hypot(a, c), math.hypot(b, d), 1.0)
    whole = round(scale)
    per_side = 2 * whole if abs(scale - whole) < 1e-6 else math.ceil(2 * scale)
    return max(4, min(per_side, _MOST_SAMPLES))


@njit(cache=True, nogil=True, inline="always")
def _line(u, exact_u, at, i, j, step, down, first, count, across, gu_c, gu_r, out):  # type: ignore[no-untyped-def]
    """Coordinates along one line of a square: `down` cells below its top, `count` points `across` cells apart."""
    if at < 0:
        f = down / step
        left = u[i, j] + f * (u[i + 1, j] - u[i, j])
        right = u[i, j + 1] + f * (u[i + 1, j + 1] - u[i, j + 1])
        slope = right - left
        for k in range(count):
            out[k] = left + slope * ((first + (k + 0.5) * across) / step)
    else:
        row = int(down)
        below = down - (row + 0.5)
        for k in range(count):
            place = first + (k + 0.5) * across
            col = int(place)
            out[k] = exact_u[at, row, col] + gu_r * below + gu_c * (place - (col + 0.5))


@njit(cache=True, nogil=True, inline="always")
def _nearest(src, top, left, u, v):  # type: ignore[no-untyped-def]
    if not (abs(u) < 1e15 and abs(v) < 1e15):
        return np.float32(np.nan)
    r = math.floor(v) - top
    c = math.floor(u) - left
    if r < 0 or c < 0 or r >= src.shape[0] or c >= src.shape[1]:
        return np.float32(np.nan)
    return src[r, c]


@njit(cache=True, nogil=True, inline="always")
def _bilinear(src, top, left, u, v):  # type: ignore[no-untyped-def]
    if not (abs(u) < 1e15 and abs(v) < 1e15):
        return np.float32(np.nan)
    fu = math.floor(u - 0.5)
    fv = math.floor(v - 0.5)
    x = u - 0.5 - fu
    y = v - 0.5 - fv
    c = int(fu) - left
    r = int(fv) - top
    if r >= 0 and c >= 0 and r + 1 < src.shape[0] and c + 1 < src.shape[1]:
        a = np.float64(src[r, c])
        b = np.float64(src[r, c + 1])
        d = np.float64(src[r + 1, c])
        e = np.float64(src[r + 1, c + 1])
        upper = a + x * (b - a)
        lower = d + x * (e - d)
        value = upper + y * (lower - upper)
        if value == value:
            return np.float32(value)
    total = 0.0
    weight = 0.0
    for i in range(2):
        for j in range(2):
            rr = r + i
            cc = c + j
            if rr >= 0 and cc >= 0 and rr < src.shape[0] and cc < src.shape[1]:
                value = np.float64(src[rr, cc])
                if value == value:
                    w = (y if i == 1 else 1.0 - y) * (x if j == 1 else 1.0 - x)
                    total += w * value
                    weight += w
    return np.float32(total / weight) if weight >= 0.5 else np.float32(np.nan)


@njit(cache=True, nogil=True, inline="always")
def _below(t):  # type: ignore[no-untyped-def]
    """Integral of the hat function max(0, 1 - |x|) up to t."""
    if t <= -1.0:
        return 0.0
    if t >= 1.0:
        return 1.0
    return 0.5 * (1.0 + t) * (1.0 + t) if t <= 0.0 else 1.0 - 0.5 * (1.0 - t) * (1.0 - t)


@njit(cache=True, nogil=True, inline="always")
def _weight(offset, width):  # type: ignore[no-untyped-def]
    """Weight of a source cell whose centre lies `offset` away, for the interpolated surface averaged over `width`."""
    if width == 0.0:
        return max(0.0, 1.0 - abs(offset))
    return (_below(offset + 0.5 * width) - _below(offset - 0.5 * width)) / width


@njit(cache=True, nogil=True, inline="always")
def _widened(src, top, left, u, v, wide, high, weights):  # type: ignore[no-untyped-def]
    """The bilinear surface averaged over a box, so that every source cell under the analysis cell counts.

    Averaging the surface, unlike sampling a wider tent, keeps every plane exactly.
    """
    if not (abs(u) < 1e15 and abs(v) < 1e15):
        return np.float32(np.nan)
    first_c = math.floor(u - 0.5 * wide - 0.5)
    last_c = math.ceil(u + 0.5 * wide - 0.5)
    first_r = math.floor(v - 0.5 * high - 0.5)
    last_r = math.ceil(v + 0.5 * high - 0.5)
    rows, cols = src.shape
    inside = first_r >= top and first_c >= left and last_r < top + rows and last_c < left + cols
    for c in range(first_c, last_c + 1):
        weights[c - first_c] = _weight(c + 0.5 - u, wide)
    total = 0.0
    weight = 0.0
    for r in range(first_r, last_r + 1):
        wr = _weight(r + 0.5 - v, high)
        for c in range(first_c, last_c + 1):
            if inside or (r >= top and c >= left and r < top + rows and c < left + cols):
                value = np.float64(src[r - top, c - left])
                if value == value:
                    w = wr * weights[c - first_c]
                    total += w * value
                    weight += w
    return np.float32(total / weight) if weight >= 0.5 else np.float32(np.nan)


@njit(cache=True, nogil=True)
def _area(src, top, left, us, vs, k, n, codes, method, out):  # type: ignore[no-untyped-def]
    """Mean, mode or share over k x k samples of each of n cells in a row; us and vs are (k, n k)."""
    seen = np.empty(k * k, np.float32)
    times = np.empty(k * k, np.int64)
    for cell in range(n):
        total = 0.0
        count = 0
        kinds = 0
        for i in range(k):
            for j in range(cell * k, cell * k + k):
                value = _nearest(src, top, left, us[i, j], vs[i, j])
                if value != value:
                    continue
                count += 1
                if method == _MEAN:
                    total += np.float64(value)
                elif method == _SHARE:
                    for code in codes:
                        if value == code:
                            total += 1.0
                            break
                else:
                    at = 0
                    while at < kinds and seen[at] != value:
                        at += 1
                    if at == kinds:
                        seen[kinds] = value
                        times[kinds] = 0
                        kinds += 1
                    times[at] += 1
        if 2 * count < k * k or count == 0:
            out[cell] = np.nan
        elif method == _MODE:
            best = 0
            for at in range(1, kinds):  # equal counts: the lower code, so that flipping a map changes nothing
                if times[at] > times[best] or (times[at] == times[best] and seen[at] < seen[best]):
                    best = at
            out[cell] = seen[best]
        else:
            out[cell] = np.float32(total / count)


@njit(cache=True, nogil=True)
def _resample(
    src, top, left, u, v, exact, exact_u, exact_v, step, first_row, first_col, row0, col0, jac, method, k, codes, out
):  # type: ignore[no-untyped-def]
    rows, cols = out.shape
    sub = k if method >= _MEAN else 1
    us = np.empty((sub, step * sub), np.float64)
    vs = np.empty((sub, step * sub), np.float64)
    weights = np.empty(16, np.float64)
    for i in range(exact.shape[0]):
        r_first = max(first_row + i * step, row0)
        r_last = min(first_row + (i + 1) * step, row0 + rows)
        for j in range(exact.shape[1]):
            c_first = max(first_col + j * step, col0)
            c_last = min(first_col + (j + 1) * step, col0 + cols)
            n = c_last - c_first
            at = exact[i, j]
            wide = math.hypot(jac[0], jac[1])
            high = math.hypot(jac[2], jac[3])
            if at < 0:
                wide = math.hypot(u[i, j + 1] - u[i, j], u[i + 1, j] - u[i, j]) / step
                high = math.hypot(v[i, j + 1] - v[i, j], v[i + 1, j] - v[i, j]) / step
            # variances add: the hat's own and the box's make those of the analysis cell; none where it is not wider
            wide = math.sqrt(wide * wide - 1.0) if wide > 1.0 + 1e-9 else 0.0
            high = math.sqrt(high * high - 1.0) if high > 1.0 + 1e-9 else 0.0
            if wide + 4.0 > weights.size:
                weights = np.empty(int(wide) + 8, np.float64)
            begin = c_first - (first_col + j * step)
            for r in range(r_first, r_last):
                down = r - (first_row + i * step)
                for line in range(sub):
                    place = down + (line + 0.5) / sub
                    _line(u, exact_u, at, i, j, step, place, begin, n * sub, 1.0 / sub, jac[0], jac[1], us[line])
                    _line(v, exact_v, at, i, j, step, place, begin, n * sub, 1.0 / sub, jac[2], jac[3], vs[line])
                row = out[r - row0, c_first - col0 : c_last - col0]
                if method == _NEAREST:
                    for c in range(n):
                        row[c] = _nearest(src, top, left, us[0, c], vs[0, c])
                elif method >= _MEAN:
                    _area(src, top, left, us, vs, k, n, codes, method, row)
                elif wide > 0.0 or high > 0.0:
                    for c in range(n):
                        row[c] = _widened(src, top, left, us[0, c], vs[0, c], wide, high, weights)
                else:
                    for c in range(n):
                        row[c] = _bilinear(src, top, left, us[0, c], vs[0, c])


def resample(
    values: FloatArray,
    held: Window,
    mesh: Mesh,
    coordinates: Coordinates,
    window: Window,
    method: str,
    share_of: tuple[float, ...] = (),
) -> FloatArray:
    """Values on a window of the analysis grid, (rows, cols), from the source cells in `held`.

    Args:
        values: source cells (held.rows, held.cols), NaN missing.
        held: where they lie on the source grid; cells outside it count as missing.
        mesh: the mesh the coordinates come from.
        coordinates: the mesh at a window that holds `window`.
        window: the analysis cells wanted.
        method: one of `METHODS`; bilinear widens its kernel where the source is finer than the analysis grid.
        share_of: class codes whose share is taken, for method "share".

    >>> from underoak.grid import Grid
    >>> fine = Grid.north_up("EPSG:25831", 0, 60, 10, 6, 6)
    >>> coarse = Grid.north_up("EPSG:25831", 0, 60, 30, 2, 2)
    >>> mesh = Mesh.between(coarse, fine)
    >>> values = np.arange(36, dtype=np.float32).reshape(6, 6)
    >>> resample(values, fine.window, mesh, mesh.at(coarse.window), coarse.window, "mean").tolist()
    [[7.0, 10.0], [25.0, 28.0]]
    """
    out = np.empty(window.shape, np.float32)
    if values.size == 0:
        out.fill(np.nan)
        return out
    at = coordinates
    place = (at.u, at.v, at.exact, at.exact_u, at.exact_v, at.step, at.row, at.col, window.row, window.col)
    codes = np.array(share_of or (np.nan,), np.float32)
    kind = METHODS.index(method)
    _resample(values, held.row, held.col, *place, np.array(mesh.jacobian), kind, samples(mesh), codes, out)
    return out
