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


@njit(cache=True, nogil=True)
def _bilinear(src, top, left, u, v):  # type: ignore[no-untyped-def]
    """One cell near the source's edge or a missing cell: the weights of the valid neighbours are brought to 1."""
    fu = math.floor(u - 0.5)
    fv = math.floor(v - 0.5)
    x = u - 0.5 - fu
    y = v - 0.5 - fv
    total = 0.0
    weight = 0.0
    for i in range(2):
        for j in range(2):
            r = fv - top + i
            c = fu - left + j
            if r >= 0 and c >= 0 and r < src.shape[0] and c < src.shape[1]:
                value = np.float64(src[r, c])
                if value == value:
                    w = (y if i == 1 else 1.0 - y) * (x if j == 1 else 1.0 - x)
                    total += w * value
                    weight += w
    return np.float32(total / weight) if weight >= 0.5 else np.float32(np.nan)


@njit(cache=True, nogil=True, inline="always")
def _between(place, low):  # type: ignore[no-untyped-def]
    """True when the source centre at or below `place` is the one of cell `low`."""
    return 0.0 <= place - 0.5 - low < 1.0


@njit(cache=True, nogil=True, inline="always")
def _steps(places, at, low, n):  # type: ignore[no-untyped-def]
    """How many cells of a straight line lie between the centres of source cells `low` and `low` + 1, about."""
    step = places[n - 1] - places[0]
    if step == 0.0 or n < 2:
        return n
    step /= n - 1
    left = (low + 1.5 - places[at]) / step if step > 0.0 else (low + 0.5 - places[at]) / step
    return n if left > n else int(left) + 1


@njit(cache=True, nogil=True)
def _bilinear_line(src, top, left, us, vs, n, is_straight, out):  # type: ignore[no-untyped-def]
    """A line of cells, in runs that lie between the same four source centres: inside a run nothing is looked up."""
    rows, cols = src.shape
    at = 0
    while at < n:
        if not (abs(us[at]) < 1e15 and abs(vs[at]) < 1e15):
            out[at] = np.nan
            at += 1
            continue
        fu = math.floor(us[at] - 0.5)
        fv = math.floor(vs[at] - 0.5)
        end = at + 1
        if is_straight:  # jump to where the run should end; the loops below then only put a rounding right
            end = min(at + max(1, min(_steps(us, at, fu, n), _steps(vs, at, fv, n))), n)
            while end > at + 1 and not (_between(us[end - 1], fu) and _between(vs[end - 1], fv)):
                end -= 1
        while end < n and _between(us[end], fu) and _between(vs[end], fv):
            end += 1
        r = fv - top
        c = fu - left
        whole = r >= 0 and c >= 0 and r + 1 < rows and c + 1 < cols
        if whole:
            a = np.float64(src[r, c])
            b = np.float64(src[r, c + 1])
            d = np.float64(src[r + 1, c])
            e = np.float64(src[r + 1, c + 1])
            whole = a + b + d + e == a + b + d + e
        if whole:
            for k in range(at, end):
                x = us[k] - 0.5 - fu
                upper = a + x * (b - a)
                lower = d + x * (e - d)
                out[k] = np.float32(upper + (vs[k] - 0.5 - fv) * (lower - upper))
        else:
            for k in range(at, end):
                out[k] = _bilinear(src, top, left, us[k], vs[k])
        at = end


@njit(cache=True, nogil=True, inline="always")
def _below(t):  # type: ignore[no-untyped-def]
    """Integral of the hat function max(0, 1 - |x|) up to t."""
    t = min(max(t, -1.0), 1.0)
    return 0.5 + t - 0.5 * t * abs(t)


@njit(cache=True, nogil=True)
def _weights(centres, width, n, first, out):  # type: ignore[no-untyped-def]
    """For n cells: the first source cell, and weights of those from it on for the surface averaged over `width`.

    Weights of a cell add up to 1. They go tap by tap over all cells, so that the processor does several at once.
    """
    half = 0.5 * width
    share = 1.0 / width if width > 0.0 else 0.0
    for k in range(n):
        first[k] = math.floor(centres[k] - half - 0.5)
    for i in range(out.shape[0]):
        weights = out[i]
        if width > 0.0:
            for k in range(n):
                offset = first[k] + (i + 0.5) - centres[k]
                weights[k] = (_below(offset + half) - _below(offset - half)) * share
        else:
            for k in range(n):
                weights[k] = max(0.0, 1.0 - abs(first[k] + (i + 0.5) - centres[k]))


@njit(cache=True, nogil=True)
def _widened_line(src, top, left, us, vs, n, wide, high, across, down, cols0, rows0, out):  # type: ignore[no-untyped-def]
    """A line of the bilinear surface averaged over boxes, so that every source cell under an analysis cell counts.

    Averaging the surface, unlike sampling a wider tent, keeps every plane exactly.
    """
    rows, cols = src.shape
    n_across, n_down = across.shape[0], down.shape[0]
    _weights(us, wide, n, cols0, across)
    _weights(vs, high, n, rows0, down)
    for k in range(n):
        if not (abs(us[k]) < 1e15 and abs(vs[k]) < 1e15):
            out[k] = np.nan
            continue
        r0 = np.int64(rows0[k]) - top
        c0 = np.int64(cols0[k]) - left
        total = np.nan
        if r0 >= 0 and c0 >= 0 and r0 + n_down <= rows and c0 + n_across <= cols:
            total = 0.0
            for i in range(n_down):
                line = 0.0
                for j in range(n_across):
                    line += across[j, k] * np.float64(src[np.uint64(r0 + i), np.uint64(c0 + j)])
                total += down[i, k] * line
        if total == total:
            out[k] = np.float32(total)
            continue
        total = 0.0
        weight = 0.0
        for i in range(max(-r0, 0), min(n_down, rows - r0)):
            for j in range(max(-c0, 0), min(n_across, cols - c0)):
                value = np.float64(src[r0 + i, c0 + j])
                if value == value:
                    w = down[i, k] * across[j, k]
                    total += w * value
                    weight += w
        out[k] = np.float32(total / weight) if weight >= 0.5 else np.float32(np.nan)


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
def _resample(  # type: ignore[no-untyped-def]
    src, top, left, u, v, exact, exact_u, exact_v, step, first_row, first_col, row0, col0, jac, method, k, codes, out
):
    rows, cols = out.shape
    sub = k if method >= _MEAN else 1
    us = np.empty((sub, step * sub), np.float64)
    vs = np.empty((sub, step * sub), np.float64)
    across = np.empty((2, step), np.float64)
    along = np.empty((2, step), np.float64)
    cols0 = np.empty(step, np.float64)
    rows0 = np.empty(step, np.float64)
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
            # a fixed number of source cells each way: the support of the kernel, whole cells it can touch
            n_across = math.floor(wide) + (3 if wide > 0.0 else 2)
            n_down = math.floor(high) + (3 if high > 0.0 else 2)
            if n_across != across.shape[0] or n_down != along.shape[0]:
                across = np.empty((n_across, step), np.float64)
                along = np.empty((n_down, step), np.float64)
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
                    _widened_line(src, top, left, us[0], vs[0], n, wide, high, across, along, cols0, rows0, row)
                else:
                    _bilinear_line(src, top, left, us[0], vs[0], n, at < 0, row)


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
