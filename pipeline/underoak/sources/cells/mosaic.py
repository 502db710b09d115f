"""Parts of a map put together on one grid, and whether their values can be true."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Fault, UnderoakError
from underoak.sources.catalogue.addresses import Map
from underoak.sources.cells.part import Frame, PartCells

_ALIGNED = 0.01  # cells
_FEW = 16  # cells that may be equal by chance


@dataclass(frozen=True)
class Mosaic:
    """Stored values of shape (rows, cols), their frame, and the missing value."""

    cells: npt.NDArray[np.generic]
    frame: Frame
    nodata: float | None


def mosaic(parts: Sequence[PartCells], where: str) -> Mosaic:
    """Return parts of one map on one grid. Ground that no part covers is missing.

    Raises:
        UnderoakError: E720 when their cells do not lie on one grid, or the map has no missing value to fill with.
    """
    left, top, width, height = parts[0].frame
    places = []
    for part in parts:
        x, y = (part.frame[0] - left) / width, (top - part.frame[1]) / height
        is_same = abs(part.frame[2] / width - 1.0) < 1e-6 and abs(part.frame[3] / height - 1.0) < 1e-6
        if not is_same or max(abs(x - round(x)), abs(y - round(y))) > _ALIGNED:
            what = "two files of the region have cells of other sizes, or on other lines, so they make no single grid"
            fix = "split the region: elevation of this kind changes at 50, 60, 70 and 80 degrees of latitude"
            raise UnderoakError(Fault("E720", what, where, fix))
        places.append((round(y), round(x)))
    first_row, first_col = min(row for row, _ in places), min(col for _, col in places)
    rows = max(row + part.cells.shape[0] for (row, _), part in zip(places, parts, strict=True)) - first_row
    cols = max(col + part.cells.shape[1] for (_, col), part in zip(places, parts, strict=True)) - first_col
    dtype, nodata = parts[0].cells.dtype, parts[0].nodata
    if nodata is None and dtype.kind == "f":
        nodata = float("nan")
    is_covered = np.zeros((rows, cols), bool)
    cells = np.full((rows, cols), 0 if nodata is None else nodata, dtype)
    for (row, col), part in zip(places, parts, strict=True):
        row, col = row - first_row, col - first_col
        window = slice(row, row + part.cells.shape[0]), slice(col, col + part.cells.shape[1])
        is_new = ~is_covered[window]
        cells[window][is_new] = part.cells[is_new]
        is_covered[window] = True
    if nodata is None and not is_covered.all():
        what = "part of the region has no file, and the map has no value that means missing"
        raise UnderoakError(Fault("E720", what, where, "move the region, or fetch the file by hand"))
    return Mosaic(cells, (left + first_col * width, top - first_row * height, width, height), nodata)


def check_values(bands: Sequence[Mosaic], chosen: Map, where: str) -> None:
    """Check that stored values can be true: within bounds, not missing everywhere, not all equal.

    Raises:
        UnderoakError: E718.
    """
    low, high = chosen.band.plausible.value
    valid = [_valid(band) for band in bands]
    fix = "fetch it again later; if it stays, look at the file, and correct the catalogue"
    faults = []
    for month, values in enumerate(valid, start=1):
        name = f"month {month} of {where}" if len(valid) > 1 else where
        n_odd = int(np.count_nonzero((values < low) | (values > high)))
        if n_odd:
            worst = _worst(values, low, high)
            what = f"{n_odd} of {values.size} stored values lie outside {low:g} to {high:g}, as far as {worst:g}"
            faults.append(Fault("E718", what, name, fix))
        if not values.size:
            faults.append(
                Fault("E718", "no cell of the region has a value", name, "move the region; it may be sea or ice")
            )
    together = np.concatenate(valid)
    if not faults and chosen.band.classes is None and together.size > _FEW and together.min() == together.max():
        what = f"all {together.size} cells of the region have the stored value {together.min():g}"
        faults.append(Fault("E718", what, where, fix))
    if faults:
        raise UnderoakError(*faults)


def _valid(band: Mosaic) -> npt.NDArray[np.float64]:
    values = band.cells.astype(np.float64)
    is_valid = ~np.isnan(values)
    if band.nodata is not None and band.nodata == band.nodata:
        is_valid &= values != band.nodata
    return values[is_valid]


def _worst(values: npt.NDArray[np.float64], low: float, high: float) -> float:
    below, above = low - float(values.min()), float(values.max()) - high
    return float(values.min()) if below >= above else float(values.max())
