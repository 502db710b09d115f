"""Gridded months of several years at the parcels: the mean of a parcel's cells, or the nearest cell."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from underoak.base import crs as _crs
from underoak.base.errors import Problems, UnderoakError
from underoak.base.grid import Grid, Window
from underoak.base.number_words import metres
from underoak.indicators import cell_metres
from underoak.layers import open_source
from underoak.layers.formats.netcdf_zarr import NetcdfZarrSource
from underoak.places.geometry.parcel_shapes import Parcels
from underoak.places.series.station_table import POSSIBLE
from underoak.places.series.values import SeriesOfParcels
from underoak.plan.keys.decision.years import SERIES_UNITS, SeriesSpec
from underoak.plan.keys.region import TrustSpec

Doubles = npt.NDArray[np.float64]
_MOST_VALUES = 60_000_000  # cells times months that are held at a time


@dataclass(frozen=True, slots=True)
class _Request:
    """The keys of a monthly layer, as readers of files take them."""

    file: str
    variable: str | None
    unit: str
    to: str
    months: tuple[int, ...] = tuple(range(1, 13))


def read_gridded(
    quantity: str, spec: SeriesSpec, base: Path, trust: TrustSpec, parcels: Parcels, sample: str, problems: Problems
) -> SeriesOfParcels | None:
    """Return a quantity from a NetCDF file or a Zarr folder; None when a fault was added to `problems`.

    `sample`: `mean` of the cells whose middle lies in the parcel, of the nearest where none does; or `nearest`. A
    month that lacks a value in one of the cells is missing. Faults are those of layers, and E451: no year in the time
    axis, far too many cells, or values that cannot be.
    """
    where = f"years.{quantity} ({spec.file})"
    request = _Request(spec.file, spec.name, spec.unit, SERIES_UNITS[quantity])
    source = open_source(f"years.{quantity}", request, base, trust, problems)
    if not isinstance(source, NetcdfZarrSource):
        return None
    steps = [step.split("-") for step in source.step_names]
    if not steps or any(len(step) != 2 for step in steps):
        what = "its time axis names months of no year"
        problems.add("E451", what, where, "give a file with the months of several years, one after the other")
        return None
    cells = [_cells(shape, source, sample) for shape in _in_cells(parcels, source.grid)]
    wanted = [each for each in cells if each]
    if not wanted:
        problems.add("E451", "none of the parcels lies on its grid", where, "give a file that covers them")
        return None
    rows, cols = (np.array([cell[axis] for each in wanted for cell in each]) for axis in (0, 1))
    window = Window(int(rows.min()), int(cols.min()), int(np.ptp(rows)) + 1, int(np.ptp(cols)) + 1)
    if window.rows * window.cols * len(steps) > _MOST_VALUES:
        what = f"{window.rows * window.cols} cells of {len(steps)} months are more than can be held at a time"
        problems.add("E451", what, where, "cut the file to the parcels, or give a table by parcel")
        return None
    try:
        months, dropped = _months(source, window, POSSIBLE[quantity])
    except UnderoakError as error:
        problems.add_error(error)
        return None
    if dropped:
        low, high = POSSIBLE[quantity]
        what = f"{dropped} of {months.size} values cannot be: below {low:g} or above {high:g} {SERIES_UNITS[quantity]}"
        problems.add("E451", what, where, "correct `unit`, or mark missing values in the file")
        return None
    return _arranged(months, [(int(year), int(month)) for year, month in steps], cells, window, source.grid, sample)


def _in_cells(parcels: Parcels, grid: Grid) -> npt.NDArray[Any]:
    """Return the parcels in cell coordinates of a grid (across, down); None without a shape, (parcels,)."""
    to_grid = _crs.transformer(parcels.crs, grid.crs)

    def moved(xy: Doubles) -> Doubles:
        return np.stack(grid.uv(*to_grid.transform(xy[:, 0], xy[:, 1])), axis=1)

    shapes: npt.NDArray[Any] = shapely.transform(parcels.shapes, moved)
    return shapes


def _cells(moved: Any, source: NetcdfZarrSource, sample: str) -> tuple[tuple[int, int], ...]:
    """Return the cells (row, column) that stand for a parcel in cell coordinates; none off the grid."""
    if moved is None or moved.is_empty:
        return ()
    grid = source.grid
    west, north, east, south = moved.bounds
    middle = moved.centroid
    if not all(np.isfinite((west, north, east, south, middle.x, middle.y))):
        return ()
    inside = []
    if sample == "mean" and (east - west) * (south - north) < 1e6:
        across, down = (
            np.arange(int(np.floor(west)), int(np.ceil(east))),
            np.arange(int(np.floor(north)), int(np.ceil(south))),
        )
        us, vs = np.meshgrid(across + 0.5, down + 0.5)
        holds = shapely.contains_xy(moved, us.ravel(), vs.ravel())
        inside = [(int(v), int(u)) for u, v, is_in in zip(us.ravel(), vs.ravel(), holds, strict=True) if is_in]
    cells = inside or [(int(np.floor(middle.y)), int(np.floor(middle.x)))]
    if source.is_periodic:  # longitudes from 0 to 360, and from -180
        cells = [(row, col % grid.cols) for row, col in cells]
    fits = all(0 <= row < grid.rows and 0 <= col < grid.cols for row, col in cells)
    return tuple(cells) if fits else ()


def _months(source: NetcdfZarrSource, window: Window, possible: tuple[float, float]) -> tuple[Doubles, int]:
    """Return the decoded values of every step, (steps, rows, cols), and how many cannot be true."""
    dropped = 0
    out = np.empty((len(source.factors), *window.shape))
    for steps in source.step_slices(window, len(source.factors)):
        stored = source.stored(window, steps)
        for k in range(steps.start, steps.stop):
            decoded = source.encoding.times(source.factors[k]).decode(stored[k - steps.start])
            out[k] = decoded.values
            dropped += decoded.implausible + decoded.infinite
    return out, dropped + int(np.count_nonzero((out < possible[0]) | (out > possible[1])))


def _arranged(
    months: Doubles, dates: list[tuple[int, int]], cells: list[tuple[tuple[int, int], ...]], window: Window, grid: Grid,
    sample: str,
) -> SeriesOfParcels:  # fmt: skip
    first, last = dates[0][0], dates[-1][0]
    places: dict[tuple[tuple[int, int], ...], int] = {}
    series_of = np.array([places.setdefault(each, len(places)) if each else -1 for each in cells], np.int64)
    values = np.full((len(places), last - first + 1, 12), np.nan)
    at = np.array([(year - first) * 12 + month - 1 for year, month in dates])
    for each, k in places.items():
        total = np.zeros(len(dates))
        for row, col in each:  # one after the other: the order is part of the result
            total = total + months[:, row - window.row, col - window.col]
        values[k].reshape(-1)[at] = total / len(each)
    sizes = cell_metres(grid, Window(window.row, window.col, 1, 1))[0]
    side = math.sqrt(abs(float(sizes.dx[0] * sizes.dy[0])))
    how = "the nearest cell" if sample == "nearest" else "the mean of a parcel's cells, or the nearest cell"
    return SeriesOfParcels(first, values, series_of, f"cells of {metres(side)}; {how}")
