"""Kernels for draws: counted hashes, stratified normals, and their correlation over the source grid.

Arrays of draws are (..., draws): the processor takes several draws of a cell at a time.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base.compiled import compiled, compiled_no_refcount
from underoak.uncertainty.draws.normal import ppf

Singles = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]

_STEP = np.uint64(0x9E3779B97F4A7C15)
_FIRST, _SECOND = np.uint64(0xBF58476D1CE4E5B9), np.uint64(0x94D049BB133111EB)
_ROW, _COL = np.uint64(0xC2B2AE3D27D4EB4F), np.uint64(0x165667B19E3779F9)
_11, _30, _27, _31, _32 = np.uint64(11), np.uint64(30), np.uint64(27), np.uint64(31), np.uint64(32)
_LOW = np.uint64(0xFFFFFFFF)
_PER_2_32, _PER_2_53 = 2.0**-32, 2.0**-53
_COUNTED = 256  # draws up to which ranks are counted, several at a time, rather than sorted


@compiled_no_refcount
def mix(h: Any) -> Any:
    """Return a hash whose bits each depend on all of `h`: SplitMix64's finaliser (Steele et al. 2014, from memory)."""
    h = np.uint64(h)
    h = np.uint64((h ^ (h >> _30)) * _FIRST)
    h = np.uint64((h ^ (h >> _27)) * _SECOND)
    return np.uint64(h ^ (h >> _31))


@compiled_no_refcount
def stratified(base: Any, row: int, col: int, turn: int, out: Singles) -> None:
    """Return standard normals of cells from (row, col) on, (rows, cols, draws): one from each of equal shares.

    A cell has its own stream of hashes: the upper halves say where in its share a draw lies, the lower halves shuffle
    the shares. Columns repeat after `turn`, unless it is 0.
    """
    rows, cols, draws = out.shape
    for r in range(rows):
        of_row = mix(base + np.uint64(row + r) * _ROW)
        for c in range(cols):
            at = (col + c) % turn if turn > 0 else col + c
            stream = mix(of_row + np.uint64(at) * _COL)
            cell = out[r, c]
            for d in range(draws):
                stream = np.uint64(stream + _STEP)
                word = mix(stream)
                place = (np.float64(word >> _32) + 0.5) * _PER_2_32
                j = np.int64(((word & _LOW) * np.uint64(d + 1)) >> _32)
                cell[d] = cell[j]
                cell[j] = np.float32(ppf((d + place) / draws))


@compiled_no_refcount
def uniforms(base: Any, draws: Places, number: int, out: Doubles) -> None:
    """Write a number between 0 and 1 for each draw: the `number`-th of those that a draw has under a hash `base`."""
    for n in range(out.size):
        of_draw = mix(base + np.uint64(draws[n]) * _ROW)
        word = mix(of_draw + np.uint64(number) * _COL)
        out[n] = (np.float64(word >> _11) + 0.5) * _PER_2_53


@compiled
def along_rows(z: Singles, decay: Singles, scale: Singles) -> None:
    """Correlate along the second axis, in stretches of `decay.size` cells; the first stretch is left unfinished.

    A cell becomes the sum of those before it in its stretch and in all of the one before, each weighing `decay[0]`
    times the next: `decay` holds the powers 1, 2 ... of that weight, `scale` brings the variance back to 1.
    """
    rows, cols, draws = z.shape
    reach = decay.size
    sums, before = np.empty(draws, np.float32), np.empty(draws, np.float32)
    for r in range(rows):
        sums[:] = 0.0
        for c in range(cols):
            j = c % reach
            if j == 0:
                before[:] = sums
                sums[:] = 0.0
            cell, weight, old, size = z[r, c], decay[0], decay[j], scale[j]
            for d in range(draws):
                sums[d] = cell[d] + weight * sums[d]
                cell[d] = size * (sums[d] + old * before[d])


@compiled
def along_columns(z: Singles, decay: Singles, scale: Singles) -> None:
    """Correlate as `along_rows` does, along the first axis of (rows, numbers)."""
    rows, cols = z.shape
    reach = decay.size
    sums, before = np.zeros(cols, np.float32), np.zeros(cols, np.float32)
    for r in range(rows):
        j = r % reach
        if j == 0:
            before[:] = sums
            sums[:] = 0.0
        line, weight, old, size = z[r], decay[0], decay[j], scale[j]
        for i in range(cols):
            sums[i] = line[i] + weight * sums[i]
            line[i] = size * (sums[i] + old * before[i])


@compiled
def restratified(z: Singles, shares: Singles) -> None:
    """Give each cell's draws (cells, draws) one value from each of equal shares again, in the order they are in."""
    cells, draws = z.shape
    rank = np.empty(draws, np.int32)
    for i in range(cells):
        cell = z[i]
        if draws <= _COUNTED:
            rank[:] = 0
            for d in range(draws):
                value = cell[d]
                for e in range(d):
                    rank[e] += value < cell[e]
                for e in range(d + 1, draws):
                    rank[e] += value <= cell[e]
        else:
            order = np.argsort(cell, kind="mergesort")
            for d in range(draws):
                rank[order[d]] = d
        for d in range(draws):
            cell[d] = shares[rank[d]]


@compiled_no_refcount
def normal_draws(
    values: Singles, spread: float, is_share: bool, z: Singles, row_at: Places, col_at: Places, low: float, high: float,
    out: Singles,
) -> None:  # fmt: skip
    """Write cells (rows, cols) plus their sd times z, (rows cols, draws), within bounds; NaN stays NaN."""
    rows, cols = values.shape
    bottom, top = np.float32(low), np.float32(high)
    for r in range(rows):
        for c in range(cols):
            value = values[r, c]
            size = np.float32(spread * abs(np.float64(value)) if is_share else spread)
            cell, to = z[row_at[r], col_at[c]], out[r * cols + c]
            for d in range(to.size):
                x = value + size * cell[d]
                x = x if x > bottom else bottom
                x = x if x < top else top
                to[d] = x if value == value else np.float32(np.nan)


@compiled
def quantile_draws(
    values: Singles, levels: Singles, scores: Singles, z: Singles, row_at: Places, col_at: Places, low: float,
    high: float, out: Singles,
) -> int:  # fmt: skip
    """Write draws as `normal_draws` does, by straight lines between quantiles over the normal score, extended.

    values: the layer's own cells. levels (quantiles, rows, cols), rising. A cell whose quantiles cross is not drawn,
    nor one that lacks a quantile: all draws are its own value. Returns how many cross.
    """
    count, rows, cols = levels.shape
    bottom, top = np.float32(low), np.float32(high)
    slope = np.empty(max(count - 1, 1), np.float32)
    crossing = 0
    for r in range(rows):
        for c in range(cols):
            value = values[r, c]
            to = out[r * cols + c]
            known, rising = value == value, True
            for j in range(count):
                known &= levels[j, r, c] == levels[j, r, c]
            for j in range(count - 1):
                rising &= not (levels[j, r, c] > levels[j + 1, r, c])
                slope[j] = (levels[j + 1, r, c] - levels[j, r, c]) / (scores[j + 1] - scores[j])
            crossing += known and not rising
            if not (known and rising):
                to[:] = value
                continue
            cell = z[row_at[r], col_at[c]]
            for d in range(to.size):
                to[d] = levels[0, r, c] + (cell[d] - scores[0]) * slope[0]
            for j in range(1, count - 1):
                start, x, by = scores[j], levels[j, r, c], slope[j]
                for d in range(to.size):
                    was = to[d]
                    to[d] = x + (cell[d] - start) * by if cell[d] > start else was
            for d in range(to.size):
                x = to[d] if to[d] > bottom else bottom
                to[d] = x if x < top else top
    return crossing


def even_shares(draws: int) -> Singles:
    """Return the middles of equal shares of the standard normal, scaled to a variance of 1."""
    middles = np.array([ppf((d + 0.5) / draws) for d in range(draws)])
    even: Singles = (middles / np.sqrt(np.mean(middles**2))).astype(np.float32)
    return even


def powers(weight: float, reach: int) -> tuple[Singles, Singles]:
    """Return `decay` and `scale` of `along_rows` for a stretch of `reach` cells."""
    count = np.arange(1, reach + 1)
    decay = weight**count
    variances = [math.fsum(weight ** (2 * i) for i in range(n + reach)) for n in count]
    return decay.astype(np.float32), (1.0 / np.sqrt(variances)).astype(np.float32)
