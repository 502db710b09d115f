"""A layer on its source grid: a source, the months selected, and the indicator derived on the source's own cells."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled
from underoak.base.grid import Grid, Window
from underoak.base.units import Affine1D, SlopeStep
from underoak.indicators import Indicator, halo_cells, on_grid
from underoak.indicators.declaration import Setting
from underoak.layers.decoding.encoding import Encoding
from underoak.layers.source import Reading, Source, SourceFacts

_SAME = Affine1D()


@dataclass(frozen=True, slots=True)
class ExtraInput:
    """A further input of an indicator: a source on the same grid as the first."""

    source: Source
    selected_months: tuple[int, ...] = ()
    to_indicator_unit: Affine1D = _SAME

    def take(self, values: FloatArray) -> FloatArray:
        """Return the selected months of source cells, in the unit of the indicator's input."""
        if self.selected_months:
            values = values[[self.source.months.index(month) for month in self.selected_months]]
        return _affine(values, self.to_indicator_unit)


@dataclass(frozen=True, slots=True)
class SourceLayer:
    """A source with the steps that are applied before resampling: months, unit, indicator, unit of the plan, bounds."""

    source: Source
    selected_months: tuple[int, ...] = ()  # calendar months; empty: all of the source
    indicator: Indicator | None = None
    to_indicator_unit: Affine1D = _SAME  # the unit of the indicator's input
    to_plan_unit: Affine1D | SlopeStep = _SAME  # the unit in the plan
    valid: tuple[float, float] | None = None  # bounds of derived values; the source applies its own
    extra_inputs: tuple[ExtraInput, ...] = ()  # the indicator's further inputs, in its order
    settings: tuple[tuple[str, Setting], ...] = ()  # the indicator's

    @property
    def grid(self) -> Grid:
        """The source's grid."""
        return self.source.grid

    @property
    def sources(self) -> tuple[Source, ...]:
        """The sources of all inputs."""
        return (self.source, *(layer_input.source for layer_input in self.extra_inputs))

    def with_sources(self, wrap: Callable[[Source], Source]) -> SourceLayer:
        """Return the layer with `wrap(source)` in place of every source."""
        extra_inputs = tuple(replace(layer_input, source=wrap(layer_input.source)) for layer_input in self.extra_inputs)
        return replace(self, source=wrap(self.source), extra_inputs=extra_inputs)

    @property
    def facts(self) -> SourceFacts:
        """The facts of the source; of several, all of them in one."""
        every = [source.facts for source in self.sources]
        if len(every) == 1 or self.indicator is None:
            return every[0]
        return replace(
            every[0],
            path=", ".join(dict.fromkeys(facts.path for facts in every)),
            file=", ".join(dict.fromkeys(facts.name for facts in every)),
            decoding=". ".join(f"{n}: {f.decoding}" for n, f in zip(self.indicator.inputs, every, strict=True)),
            files=tuple(dict.fromkeys(file for facts in every for file in facts.files)),
        )

    def input_window(self, window: Window) -> Window:
        """Return the source cells that a window's values need, also those beyond the source's edge."""
        if self.indicator is None:
            return window
        down, across = halo_cells(self.indicator, self.grid, window, dict(self.settings))
        return Window(window.row - down, window.col - across, window.rows + 2 * down, window.cols + 2 * across)

    def inputs(self, values: FloatArray, *more: FloatArray) -> list[FloatArray]:
        """Return the selected months of the cells of each source, in the units of the indicator's inputs."""
        main = ExtraInput(self.source, self.selected_months, self.to_indicator_unit)
        return [
            layer_input.take(cells)
            for layer_input, cells in zip((main, *self.extra_inputs), (values, *more), strict=True)
        ]

    def derive(self, values: FloatArray, source_window: Window, window: Window, *more: FloatArray) -> FloatArray:
        """Derive the layer on `window`, (rows, cols), from source cells on `source_window`, its input window.

        `more` are the cells of the further inputs. At the source's edge there are no cells around the window: a cell
        that lacks a neighbour it needs is missing.
        """
        inputs = self.inputs(values, *more)
        values = inputs[0]
        if self.indicator is not None:
            named = dict(zip(self.indicator.inputs, inputs, strict=True))
            values = on_grid(self.indicator, named, self.grid, source_window, dict(self.settings))
        rows, cols = window.relative_to(source_window).slices
        if isinstance(self.to_plan_unit, SlopeStep):
            values = Encoding().then(self.to_plan_unit).decode(values[rows, cols]).values
        else:
            values = _affine(values[rows, cols], self.to_plan_unit)
        if self.valid is not None:
            out = np.empty(values.shape, np.float32)
            low, high = self.valid
            _mask_outside(values, np.float32(low), np.float32(high), out)
            return out
        return values


@compiled
def _mask_outside(values: FloatArray, low: np.float32, high: np.float32, out: FloatArray) -> None:
    """Fill `out` with the values from `low` to `high`, and NaN elsewhere."""
    for row in range(values.shape[0]):
        cells, target = values[row], out[row]
        for col in range(cells.size):
            value = cells[col]
            target[col] = value if (value >= low) & (value <= high) else np.float32(np.nan)


def _affine(values: FloatArray, affine: Affine1D) -> FloatArray:
    if affine == _SAME:
        return values
    return (values.astype(np.float64) * affine.scale + affine.offset).astype(np.float32)


def clip_to_source(source: Source, window: Window) -> Window:
    """Return the part of a window that the source has; one that goes once round the Earth has every column."""
    clipped = window.clip(*source.grid.shape)
    if not source.is_periodic:
        return clipped
    return Window(clipped.row, window.col, clipped.rows, window.cols)


def read_window(source: Source, window: Window) -> tuple[Reading, Window]:
    """Read the cells of a window that the source has, and return their window; the ends of a periodic source meet."""
    source_window = clip_to_source(source, window)
    if source_window.is_empty:
        shape = (len(source.months), 0, 0) if source.months else (0, 0)
        return Reading(np.empty(shape, np.float32)), Window(source_window.row, source_window.col, 0, 0)
    parts, implausible, col = [], 0, source_window.col
    while col < source_window.col + source_window.cols:
        first_col = col % source.grid.cols
        width = min(source.grid.cols - first_col, source_window.col + source_window.cols - col)
        reading = source.read(Window(source_window.row, first_col, source_window.rows, width))
        parts.append(reading.values)
        implausible += reading.implausible
        col += width
    values = parts[0] if len(parts) == 1 else np.concatenate(parts, axis=-1)
    return Reading(values, implausible), source_window
