"""The indicators there are, each declared once: what goes in, what comes out, and who says so."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from underoak.errors import Fault, UnderoakError, did_you_mean
from underoak.indicators import climate, terrain
from underoak.raster import FloatArray
from underoak.units import QUANTITIES

_HORN = "Horn 1981, from memory"
_PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Input:
    """What one input must be: its unit ("" takes any), and cells (rows, cols) or months (months, rows, cols)."""

    unit: str
    axis: Literal["cells", "months"] = "cells"


@dataclass(frozen=True, slots=True)
class Indicator:
    """One declared indicator.

    `unit` "" means the unit of its input. `halo`: how many cells beyond its own a result needs on every side.
    `compute` takes the inputs in their order, then the cell's sides when `needs_cell_size` (see `terrain.slope`).
    """

    id: str
    title: str
    inputs: Mapping[str, Input]
    unit: str
    low: float
    high: float
    halo: int
    needs_cell_size: bool
    source: str
    text: str
    compute: Callable[..., FloatArray]


def _terrain(id: str, title: str, unit: str, low: float, source: str, text: str, high: float) -> Indicator:
    inputs = {"elevation": Input("m")}
    return Indicator(id, title, inputs, unit, low, high, 1, True, source, text, getattr(terrain, id))


def _monthly(id: str, title: str, quantity: str, text: str) -> Indicator:
    kind = QUANTITIES[quantity]
    inputs = {"months": Input(kind.unit, "months")}
    compute: Any = getattr(climate, id)
    return Indicator(id, title, inputs, kind.unit, kind.low, kind.high, 0, False, _PRACTICE, text, compute)


_ALL = (
    _terrain("slope", "slope", "degree", 0.0, _HORN, "Steepness of the ground, in true metres.", 90.0),
    _terrain("aspect", "aspect", "degree", 0.0, _HORN, "Downhill bearing, clockwise from true north.", 360.0),
    _terrain("northness", "northness", "", -1.0, _PRACTICE, "Cosine of the aspect; 0 where flat.", 1.0),
    _terrain("eastness", "eastness", "", -1.0, _PRACTICE, "Sine of the aspect; 0 where flat.", 1.0),
    _monthly("months_sum", "sum of months", "any", "Sum over the months of the season."),
    _monthly("months_mean", "mean of months", "any", "Mean over the months of the season, each counted alike."),
    _monthly("months_min", "least month", "any", "Least of the months of the season."),
    _monthly("months_max", "greatest month", "any", "Greatest of the months of the season."),
    _monthly("warmest_month_mean", "warmest month", "temperature", "Mean temperature of the warmest month."),
    _monthly("coldest_month_mean", "coldest month", "temperature", "Mean temperature of the coldest month."),
    _monthly("annual_sum", "rain of the year", "precipitation", "Sum of the twelve months, each in mm."),
    _monthly("annual_mean", "mean of the year", "temperature", "Mean of the twelve months, each counted alike."),
)
REGISTRY: dict[str, Indicator] = {indicator.id: indicator for indicator in _ALL}


def get(id: str) -> Indicator:
    """The indicator of that name.

    >>> get("slope").unit, get("slope").halo
    ('degree', 1)

    Raises:
        UnderoakError: E350 when there is none.
    """
    if id not in REGISTRY:
        known = ", ".join(REGISTRY)
        raise UnderoakError(Fault("E350", f'indicator "{id}" is not known', mend=did_you_mean(id, REGISTRY, known)))
    return REGISTRY[id]
