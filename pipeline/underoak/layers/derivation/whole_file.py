"""An indicator that needs every cell of a file at once: computed at its first read, and kept in memory."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field, replace
from importlib.util import find_spec
from typing import Any

from underoak.base.arrays import FloatArray
from underoak.base.errors import Fault, UnderoakError
from underoak.base.grid import Grid, Window
from underoak.base.units import Affine1D
from underoak.indicators import Indicator, on_grid
from underoak.indicators.declaration import Setting
from underoak.layers.source import Reading, Source, SourceFacts

MAX_CELLS = 16_000_000  # in memory at once: about a gigabyte during the computation
_CELL_BYTES = 64
_SAME = Affine1D()


@dataclass
class _ProcessCache:
    """A process's values; another process computes its own."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    values: FloatArray | None = None


@dataclass(frozen=True)
class WholeFileSource:
    """An indicator over a whole source, as a source of its own on the same grid."""

    source: Source
    indicator: Indicator
    to_indicator_unit: Affine1D = _SAME  # the unit of the indicator's input
    settings: tuple[tuple[str, Setting], ...] = ()
    unit: str = ""
    _cache: _ProcessCache = field(default_factory=_ProcessCache, compare=False, repr=False)

    def __post_init__(self) -> None:
        check_requirements(self.source, self.indicator)

    def __reduce__(self) -> tuple[Any, ...]:
        return WholeFileSource, (self.source, self.indicator, self.to_indicator_unit, self.settings, self.unit)

    @property
    def grid(self) -> Grid:
        """The source's grid."""
        return self.source.grid

    @property
    def is_periodic(self) -> bool:
        """True for a periodic source, although the indicator is computed without joining its ends."""
        return self.source.is_periodic

    @property
    def months(self) -> tuple[int, ...]:
        """No months."""
        return ()

    @property
    def facts(self) -> SourceFacts:
        """The facts of the source, in the indicator's unit."""
        return replace(self.source.facts, unit=self.unit)

    def read(self, window: Window) -> Reading:
        """Read the indicator on a window. Cells that the source drops are counted by other layers that read it, if any.

        Raises:
            UnderoakError: E230 when the file cannot be read; E521 when a package is lacking.
        """
        with self._cache.lock:
            if self._cache.values is None:
                self._cache.values = self._derive_all()
        return Reading(self._cache.values[window.slices])

    def _derive_all(self) -> FloatArray:
        window = self.grid.window
        values = self.source.read(window).values
        if self.to_indicator_unit != _SAME:
            values = self.to_indicator_unit(values.astype("float64")).astype("float32")
        return on_grid(self.indicator, values, self.grid, window, dict(self.settings))


def check_requirements(source: Source, indicator: Indicator) -> None:
    """Refuse a source that is too large for memory, and an indicator whose package is not installed.

    Raises:
        UnderoakError: E520, E521.
    """
    package, _, extra = indicator.package.partition(" ")
    if package and find_spec(package) is None:
        what = f"{indicator.id} needs the package {package}, which is not installed"
        raise UnderoakError(Fault("E521", what, fix=f'pip install "underoak[{extra}]"'))
    cells = source.grid.rows * source.grid.cols
    if cells > MAX_CELLS:
        needed_mb, limit_mb = (count * _CELL_BYTES / 2**20 for count in (cells, MAX_CELLS))
        what = (
            f"{indicator.id} needs the whole file at once: {cells / 1e6:,.1f} million cells would take about "
            f"{needed_mb:,.0f} MB, more than the limit of {limit_mb:,.0f} MB ({MAX_CELLS / 1e6:,.0f} million cells)"
        )
        fix = "cut the file to the catchments that reach your region, or use a coarser one"
        raise UnderoakError(Fault("E520", what, fix=fix))
