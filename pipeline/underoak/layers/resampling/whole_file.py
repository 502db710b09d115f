"""An indicator that needs a file's every cell at once: worked out when it is first asked for, and kept."""

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

MOST_CELLS = 16_000_000  # that are held at once: about a gigabyte while it is worked out
_CELL_BYTES = 64
_SAME = Affine1D()


@dataclass
class _ProcessCache:
    """What a process keeps; it does not travel to other processes, which work it out for themselves."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    values: FloatArray | None = None


@dataclass(frozen=True)
class WholeFileSource:
    """An indicator over a whole source, as a source of its own on the same grid."""

    source: Source
    indicator: Indicator
    before: Affine1D = _SAME  # into the unit the indicator wants
    settings: tuple[tuple[str, Setting], ...] = ()
    unit: str = ""
    _kept: _ProcessCache = field(default_factory=_ProcessCache, compare=False, repr=False)

    def __post_init__(self) -> None:
        check_whole(self.source, self.indicator)

    def __reduce__(self) -> tuple[Any, ...]:
        return WholeFileSource, (self.source, self.indicator, self.before, self.settings, self.unit)

    @property
    def grid(self) -> Grid:
        """The source's grid."""
        return self.source.grid

    @property
    def is_periodic(self) -> bool:
        """As the source's; the two ends are not joined while the indicator is worked out."""
        return self.source.is_periodic

    @property
    def months(self) -> tuple[int, ...]:
        """None."""
        return ()

    @property
    def facts(self) -> SourceFacts:
        """Those of the source, in the indicator's unit."""
        return replace(self.source.facts, unit=self.unit)

    def read(self, window: Window) -> Reading:
        """The indicator on a window. What the source drops is told by other layers that read it, if any.

        Raises:
            UnderoakError: E230 when the file cannot be read; E521 when a package is lacking.
        """
        with self._kept.lock:
            if self._kept.values is None:
                self._kept.values = self._made()
        return Reading(self._kept.values[window.slices])

    def _made(self) -> FloatArray:
        window = self.grid.window
        values = self.source.read(window).values
        if self.before != _SAME:
            values = self.before(values.astype("float64")).astype("float32")
        return on_grid(self.indicator, values, self.grid, window, dict(self.settings))


def check_whole(source: Source, indicator: Indicator) -> None:
    """Refuse a source that is too large to be held at once, and an indicator whose package is lacking.

    Raises:
        UnderoakError: E520, E521.
    """
    package, _, extra = indicator.package.partition(" ")
    if package and find_spec(package) is None:
        what = f"{indicator.id} needs the package {package}, which is not installed"
        raise UnderoakError(Fault("E521", what, fix=f'pip install "underoak[{extra}]"'))
    cells = source.grid.rows * source.grid.cols
    if cells > MOST_CELLS:
        need, most = (count * _CELL_BYTES / 2**20 for count in (cells, MOST_CELLS))
        what = (
            f"{indicator.id} needs the whole file at once: {cells / 1e6:,.1f} million cells would take about "
            f"{need:,.0f} MB, and {most:,.0f} MB ({MOST_CELLS / 1e6:,.0f} million cells) are the most"
        )
        fix = "cut the file to the catchments that reach your region, or take a coarser one"
        raise UnderoakError(Fault("E520", what, fix=fix))
