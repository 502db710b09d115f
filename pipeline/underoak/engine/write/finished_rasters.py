"""Reading the finished rasters of a run folder: one by name, by windows, stored or decoded."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import rasterio
from rasterio.errors import RasterioError

from underoak.base.errors import Fault, UnderoakError
from underoak.base.grid import Grid, Window
from underoak.layers.formats.gdal import gdal_settings

Cells = npt.NDArray[Any]
Doubles = npt.NDArray[np.float64]

SUITABILITY_TIF, CLASS_TIF, LIMITING_TIF, MEMBERSHIPS_TIF = (
    "suitability.tif",
    "class.tif",
    "limiting.tif",
    "memberships.tif",
)
MISSING_WEIGHT_TIF, SPREAD_TIF, QUANTILES_TIF = "missing_weight.tif", "spread.tif", "quantiles.tif"
_CODE_TAG = re.compile(r"(?:CLASS|CODE|CRITERION)_(\d+)")
_STATISTICS = tuple(f"STATISTICS_{name}" for name in ("MINIMUM", "MAXIMUM", "MEAN", "STDDEV", "VALID_PERCENT"))
MEETS_TIF = "p_meets.{}.tif"


@dataclass(frozen=True, slots=True)
class BandFacts:
    """The facts of one band as its file states them."""

    name: str
    dtype: str
    nodata: float
    unit: str
    scale: float
    offset: float
    statistics: tuple[tuple[str, float], ...]  # by the names of STAC: minimum, maximum, mean, stddev, valid_percent


@dataclass(frozen=True, slots=True)
class FinishedRaster:
    """An open raster of a run folder; its bands count from 0. Use it inside `open_finished` only."""

    path: Path
    _source: Any

    @property
    def bands(self) -> tuple[str, ...]:
        """The description of each band."""
        return tuple(str(name) for name in self._source.descriptions)

    @property
    def shape(self) -> tuple[int, int, int]:
        """The number of bands, rows and columns."""
        return int(self._source.count), int(self._source.height), int(self._source.width)

    @property
    def dtype(self) -> np.dtype[Any]:
        """The type of the stored cells."""
        dtype: np.dtype[Any] = np.dtype(self._source.dtypes[0])
        return dtype

    @property
    def band_facts(self) -> list[BandFacts]:
        """The facts of each band."""
        source, facts = self._source, []
        for i, name in enumerate(self.bands):
            tags = source.tags(i + 1)
            statistics = tuple(
                (key.removeprefix("STATISTICS_").lower(), float(tags[key])) for key in _STATISTICS if key in tags
            )
            unit, scale, offset = source.units[i] or "", float(source.scales[i]), float(source.offsets[i])
            facts.append(BandFacts(name, str(self.dtype), float(source.nodata), unit, scale, offset, statistics))
        return facts

    @property
    def code_names(self) -> dict[int, str]:
        """The names of codes that the file's tags state."""
        matches = ((_CODE_TAG.fullmatch(key), name) for key, name in self._source.tags().items())
        return {int(match[1]): name for match, name in matches if match is not None}

    @property
    def grid(self) -> Grid:
        """The grid of its cells."""
        source = self._source
        return Grid(source.crs.to_wkt(), tuple(source.transform)[:6], source.height, source.width)

    @property
    def step(self) -> float:
        """The difference of two neighbouring stored values; 0 where values are stored as they are."""
        return 0.0 if self.dtype.kind == "f" else float(self._source.scales[0])

    def stored(self, window: Window, band: int = 0) -> Cells:
        """Return the cells of a band as they are stored, (rows, cols): codes, or steps.

        Raises:
            UnderoakError: E230 when they cannot be read.
        """
        return self._read(band + 1, window)

    def stored_bands(self, window: Window, bands: Sequence[int] | None = None) -> Cells:
        """Return the cells of several bands as they are stored, (bands, rows, cols); of all bands unless given.

        Raises:
            UnderoakError: E230 when they cannot be read.
        """
        return self._read(None if bands is None else [band + 1 for band in bands], window)

    def values(self, window: Window, band: int = 0) -> Doubles:
        """Return the values of a band, (rows, cols); NaN where there is none.

        Raises:
            UnderoakError: E230 when they cannot be read.
        """
        return self._decoded(self._read(band + 1, window), band)

    def stored_overview(self, shape: tuple[int, int], band: int = 0) -> Cells:
        """Return the full extent of a band in so many rows and columns, as stored; from the overviews.

        Raises:
            UnderoakError: E230 when it cannot be read.
        """
        return self._read(band + 1, None, out_shape=shape)

    def overview(self, shape: tuple[int, int], band: int = 0) -> Doubles:
        """Return the values of the full extent of a band in so many rows and columns; NaN where there is none.

        Raises:
            UnderoakError: E230 when it cannot be read.
        """
        return self._decoded(self.stored_overview(shape, band), band)

    def _decoded(self, stored: Cells, band: int) -> Doubles:
        values: Doubles = stored * np.float64(self._source.scales[band])
        values[stored == self._source.nodata] = np.nan  # a NaN that is stored stays one
        return values

    def _read(self, bands: int | list[int] | None, window: Window | None, **options: Any) -> Cells:
        if window is not None:
            rows, cols = window.slices
            options["window"] = ((rows.start, rows.stop), (cols.start, cols.stop))
        with _faults(self.path):
            cells: Cells = self._source.read(bands, **options)
        return cells


@contextmanager
def open_finished(folder: Path, name: str) -> Iterator[FinishedRaster]:
    """Open a raster of a run folder by its file name.

    Raises:
        UnderoakError: E230 when it cannot be opened.
    """
    path = folder / name
    with gdal_settings():
        with _faults(path):
            source = rasterio.open(path, driver="GTiff")
        with source:
            yield FinishedRaster(path, source)


@contextmanager
def _faults(path: Path) -> Iterator[None]:
    try:
        yield
    except RasterioError as error:
        raise UnderoakError(Fault("E230", f"the result cannot be read ({error})", str(path), "run again")) from error
