"""A layer on its own grid: a source, the months it keeps, and the indicator derived where the data live."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from underoak.grid import Grid, Window
from underoak.indicators import Indicator, on_grid
from underoak.layers.source import Reading, Source
from underoak.raster import FloatArray
from underoak.units import Affine1D

_SAME = Affine1D()


@dataclass(frozen=True, slots=True)
class Native:
    """What becomes of a source's cells before they leave their own grid."""

    source: Source
    keep: tuple[int, ...] = ()  # calendar months; empty: all there are
    indicator: Indicator | None = None
    before: Affine1D = _SAME  # into the unit the indicator wants
    after: Affine1D = _SAME  # into the unit the plan wants
    valid: tuple[float, float] | None = None  # what a derived value can be; the source knows its own bounds

    @property
    def grid(self) -> Grid:
        """The source's grid."""
        return self.source.grid

    @property
    def halo(self) -> int:
        """Cells needed around a window."""
        return self.indicator.halo if self.indicator else 0

    def derive(self, values: FloatArray, held: Window, window: Window) -> FloatArray:
        """The layer on `window`, (rows, cols), from source cells on `held`, which holds the window and its halo.

        At the source's own edge the halo is cut off, and a cell that lacks a neighbour is missing.
        """
        if self.keep:
            at = [self.source.months.index(month) for month in self.keep]
            values = values[at]
        if self.before != _SAME:
            values = _affine(values, self.before)
        if self.indicator is not None:
            values = on_grid(self.indicator, values, self.grid, held)
        rows, cols = window.within(held).slices
        values = _affine(values[rows, cols], self.after)
        if self.valid is not None:
            low, high = map(np.float32, self.valid)
            values = np.where((values >= low) & (values <= high), values, np.float32(np.nan))
        return values


def _affine(values: FloatArray, step: Affine1D) -> FloatArray:
    if step == _SAME:
        return values
    return (values.astype(np.float64) * step.scale + step.offset).astype(np.float32)


def clip_to(source: Source, window: Window) -> Window:
    """The part of a window that the source has; one that goes once round the Earth has every column."""
    clipped = window.clip(*source.grid.shape)
    if not source.is_periodic:
        return clipped
    return Window(clipped.row, window.col, clipped.rows, window.cols)


def read_around(source: Source, window: Window) -> tuple[Reading, Window]:
    """The cells of a window that the source has, and which they are; the two ends of a periodic source are joined."""
    held = clip_to(source, window)
    if held.is_empty:
        shape = (len(source.months), 0, 0) if source.months else (0, 0)
        return Reading(np.empty(shape, np.float32)), Window(held.row, held.col, 0, 0)
    parts, implausible, at = [], 0, held.col
    while at < held.col + held.cols:
        begin = at % source.grid.cols
        width = min(source.grid.cols - begin, held.col + held.cols - at)
        reading = source.read(Window(held.row, begin, held.rows, width))
        parts.append(reading.values)
        implausible += reading.implausible
        at += width
    values = parts[0] if len(parts) == 1 else np.concatenate(parts, axis=-1)
    return Reading(values, implausible), held
