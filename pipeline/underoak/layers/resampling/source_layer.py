"""A layer on its own grid: a source, the months it keeps, and the indicator derived where the data live."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled
from underoak.base.grid import Grid, Window
from underoak.base.units import Affine1D
from underoak.indicators import Indicator, halo_cells, on_grid
from underoak.indicators.declaration import Setting
from underoak.layers.source import Reading, Source, SourceFacts

_SAME = Affine1D()


@dataclass(frozen=True, slots=True)
class ExtraInput:
    """A further input of an indicator: a source on the same grid as the first."""

    source: Source
    selected_months: tuple[int, ...] = ()
    to_indicator_unit: Affine1D = _SAME

    def take(self, values: FloatArray) -> FloatArray:
        """The months that are kept, in the unit the indicator wants."""
        if self.selected_months:
            values = values[[self.source.months.index(month) for month in self.selected_months]]
        return _affine(values, self.to_indicator_unit)


@dataclass(frozen=True, slots=True)
class SourceLayer:
    """What becomes of a source's cells before they leave their own grid."""

    source: Source
    selected_months: tuple[int, ...] = ()  # calendar months; empty: all there are
    indicator: Indicator | None = None
    to_indicator_unit: Affine1D = _SAME  # into the unit the indicator wants
    to_plan_unit: Affine1D = _SAME  # into the unit the plan wants
    valid: tuple[float, float] | None = None  # what a derived value can be; the source knows its own bounds
    extra_inputs: tuple[ExtraInput, ...] = ()  # the indicator's further inputs, in its order
    settings: tuple[tuple[str, Setting], ...] = ()  # the indicator's

    @property
    def grid(self) -> Grid:
        """The source's grid."""
        return self.source.grid

    @property
    def sources(self) -> tuple[Source, ...]:
        """The sources of all inputs."""
        return (self.source, *(feed.source for feed in self.extra_inputs))

    def with_sources(self, wrap: Callable[[Source], Source]) -> SourceLayer:
        """The same with `view` of every source in its place."""
        extra_inputs = tuple(replace(feed, source=wrap(feed.source)) for feed in self.extra_inputs)
        return replace(self, source=wrap(self.source), extra_inputs=extra_inputs)

    @property
    def facts(self) -> SourceFacts:
        """What is known of the source; of several, all they say."""
        every = [source.facts for source in self.sources]
        if len(every) == 1 or self.indicator is None:
            return every[0]
        return replace(
            every[0],
            path=", ".join(dict.fromkeys(facts.path for facts in every)),
            decoding=". ".join(f"{n}: {f.decoding}" for n, f in zip(self.indicator.inputs, every, strict=True)),
            files=tuple(dict.fromkeys(file for facts in every for file in facts.files)),
        )

    def input_window(self, window: Window) -> Window:
        """The cells that a window's values come from, those beyond the source's edge counted."""
        if self.indicator is None:
            return window
        down, across = halo_cells(self.indicator, self.grid, window, dict(self.settings))
        return Window(window.row - down, window.col - across, window.rows + 2 * down, window.cols + 2 * across)

    def derive(self, values: FloatArray, held: Window, window: Window, *more: FloatArray) -> FloatArray:
        """The layer on `window`, (rows, cols), from source cells on `held`, which holds all that it comes from.

        `more` are the cells of the further inputs. At the source's own edge there is nothing around the window, and a
        cell that lacks a neighbour it cannot do without is missing.
        """
        first = ExtraInput(self.source, self.selected_months, self.to_indicator_unit)
        taken = [feed.take(each) for feed, each in zip((first, *self.extra_inputs), (values, *more), strict=True)]
        values = taken[0]
        if self.indicator is not None:
            named = dict(zip(self.indicator.inputs, taken, strict=True))
            values = on_grid(self.indicator, named, self.grid, held, dict(self.settings))
        rows, cols = window.relative_to(held).slices
        values = _affine(values[rows, cols], self.to_plan_unit)
        if self.valid is not None:
            found = np.empty(values.shape, np.float32)
            low, high = self.valid
            _bounded(values, np.float32(low), np.float32(high), found)
            return found
        return values


@compiled
def _bounded(values: FloatArray, low: np.float32, high: np.float32, out: FloatArray) -> None:
    for row in range(values.shape[0]):
        cells, to = values[row], out[row]
        for col in range(cells.size):
            value = cells[col]
            to[col] = value if (value >= low) & (value <= high) else np.float32(np.nan)


def _affine(values: FloatArray, step: Affine1D) -> FloatArray:
    if step == _SAME:
        return values
    return (values.astype(np.float64) * step.scale + step.offset).astype(np.float32)


def clip_to_source(source: Source, window: Window) -> Window:
    """The part of a window that the source has; one that goes once round the Earth has every column."""
    clipped = window.clip(*source.grid.shape)
    if not source.is_periodic:
        return clipped
    return Window(clipped.row, window.col, clipped.rows, window.cols)


def read_window(source: Source, window: Window) -> tuple[Reading, Window]:
    """The cells of a window that the source has, and which they are; the two ends of a periodic source are joined."""
    held = clip_to_source(source, window)
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
