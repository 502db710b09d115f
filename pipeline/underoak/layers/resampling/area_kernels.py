"""Compiled area methods: mean, mode and share of the source cells under each analysis cell, weighed by overlap."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from underoak.base.compiled import compiled, compiled_no_refcount
from underoak.layers.resampling.overlap_kernels import (
    NOTHING,
    Extent,
    Footprints,
    Overlap,
    extent_of,
    new_overlap,
    overlap,
)
from underoak.layers.resampling.position_kernels import MODE, Doubles, Singles


class SourceCells(NamedTuple):
    """A window of source cells in the form that kernels take."""

    cells: Singles  # (layers, cells row by row)
    pitch: int  # from one row to the next
    rows: int
    cols: int
    top: int  # of the first one on the source grid
    left: int


@compiled_no_refcount
def _mean(cells: Singles, parts: Overlap, n: int, area: float, codes: Singles) -> np.float32:
    """Return the mean over n parts of a footprint; if there are codes, of 1 where a cell holds one of them, else 0."""
    total = weight = 0.0
    for m in range(n):
        value = np.float64(cells[np.uint64(parts.cells[m])])
        if value != value:
            continue
        weight += parts.area[m]
        if codes.size == 0:
            total += parts.area[m] * value
        else:
            for code in codes:
                total += parts.area[m] if value == code else 0.0
    return np.float32(total / weight) if weight >= (0.5 - NOTHING) * area and weight > 0.0 else np.float32(np.nan)


@compiled_no_refcount
def _mode(cells: Singles, parts: Overlap, n: int, area: float, kinds: Doubles) -> np.float32:
    """Return the value that covers most of a footprint, the lower one of two that cover the same.

    `kinds` is (2, at least n): the values so far, and the area of each.
    """
    weight = 0.0
    n_kinds = 0
    for m in range(n):
        value = np.float64(cells[np.uint64(parts.cells[m])])
        if value != value:
            continue
        weight += parts.area[m]
        i = 0
        while i < n_kinds and kinds[0, i] != value:
            i += 1
        if i == n_kinds:
            kinds[0, i], kinds[1, i] = value, 0.0
            n_kinds += 1
        kinds[1, i] += parts.area[m]
    if weight < (0.5 - NOTHING) * area or n_kinds == 0:
        return np.float32(np.nan)
    most = 0.0
    for i in range(n_kinds):
        most = max(most, kinds[1, i])
    best = np.inf
    for i in range(n_kinds):  # the lower code of a tie, so that flipping a map changes nothing
        best = min(best, kinds[0, i]) if kinds[1, i] >= most - NOTHING * area else best
    return np.float32(best)


@compiled
def overlap_areas(
    src: SourceCells, footprints: Footprints, n: int, method: int, codes: Singles, out: Singles, parts: Overlap
) -> Overlap:
    """Fill `out`, (layers, n), with mean, mode or share of n cells in a row; return the room for parts, perhaps larger.

    `codes` is empty except for shares. Less than half of the footprint valid: missing.
    """
    within = Extent(src.top, src.left, src.rows, src.cols)
    kinds = np.empty((2, parts.area.size if method == MODE else 0))
    for k in range(n):
        extent = extent_of(footprints, k, within)
        size = extent.rows * extent.cols
        first = (extent.top - src.top) * src.pitch + extent.left - src.left
        if size > parts.area.size or extent.cols >= parts.row.size:
            parts = new_overlap(2 * size, 2 * extent.cols)
            kinds = np.empty((2, parts.area.size if method == MODE else 0))
        n_parts, area = overlap(footprints, k, extent, first, src.pitch, parts)
        for m in range(out.shape[0]):
            if method == MODE:
                out[m, k] = _mode(src.cells[m], parts, n_parts, area, kinds)
            else:
                out[m, k] = _mean(src.cells[m], parts, n_parts, area, codes)
    return parts
