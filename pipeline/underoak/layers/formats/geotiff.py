"""GeoTIFF, COG and plain mosaics of them: open, describe, and read windows.

Where cells lie: the raster library reports the outer corner of a cell. A GeoTIFF tagged `PixelIsPoint` counts from
cell centres, and the library has shifted it by half a cell before we see it; in a mosaic the tag is only a remark.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import rasterio.windows
from rasterio.enums import ColorInterp, Interleaving, MaskFlags

from underoak.base.errors import Problems, UnderoakError
from underoak.base.grid import Grid, Window
from underoak.layers.decoding.encoding import Encoding, Mask, Probe
from underoak.layers.decoding.rules import FileFacts, resolve_rules
from underoak.layers.decoding.time_axis import mean_month
from underoak.layers.files import Trust, check_size, file_stamp
from underoak.layers.formats import gdal, vrt
from underoak.layers.formats.georeference import check_grid, is_global, resolve_crs
from underoak.layers.formats.tiff_tags import NODATA, read_tags
from underoak.layers.layer_request import LayerRequest
from underoak.layers.source import Reading, SourceFacts


@dataclass(frozen=True, slots=True)
class GeoTiffSource:
    """One band on its own grid. Every thread that reads has its own open file."""

    path: str
    driver: str  # GTiff | VRT
    bands: tuple[int, ...]  # one, or one for each month
    encoding: Encoding
    grid: Grid
    is_periodic: bool
    facts: SourceFacts
    trust: Trust
    asked: LayerRequest = field(compare=False)
    alpha: int = 0  # the band that says how opaque a cell is
    has_mask: bool = False  # a mask stored in the file
    mask_file: str = ""  # a mask stored beside it
    months: tuple[int, ...] = ()
    factors: tuple[float, ...] = (1.0,)  # for each band, what a rate is multiplied by

    def read(self, window: Window) -> Reading:
        """As `Source.read`; cells that are not finite count among the implausible."""
        decoded = [probe.encoding.decode(probe.stored, probe.shown) for probe in self.probe(window)]
        dropped = sum(d.implausible + d.infinite for d in decoded)
        return Reading(np.stack([d.values for d in decoded]) if self.months else decoded[0].values, dropped)

    def probe(self, window: Window) -> list[Probe]:
        """Stored cells of a window by band, and how each is decoded."""
        stored, shown = self.stored(window)
        return [
            Probe(band, shown, self.encoding if factor == 1.0 else self.encoding.times(factor))
            for band, factor in zip(stored, self.factors, strict=True)
        ]

    def stored(self, window: Window) -> tuple[npt.NDArray[Any], Mask | None]:
        """Cells as stored, (bands, rows, cols), and what is shown of them, (rows, cols): the file's masks united.

        Nodata is the encoding's part.

        Raises:
            UnderoakError: E230 when the file cannot be read there.
        """
        _inside(window, self.grid)
        at = rasterio.windows.Window(window.col, window.row, window.cols, window.rows)
        where = self.asked.where
        with gdal.report_read_errors(f"rows {window.row}+{window.rows}, columns {window.col}+{window.cols}", where):
            handle = _handle(self.path, self.driver, self.trust, where)
            stored = handle.read(list(self.bands), window=at)
            masks = []
            if self.has_mask:
                masks.append(handle.read_masks(self.bands[0], window=at) >= 128)
            if self.alpha:
                masks.append(_opaque(handle.read(self.alpha, window=at)))
            if self.mask_file:
                masks.append(_handle(self.mask_file, "GTiff", self.trust, where).read(1, window=at) != 0)
        return stored, np.logical_and.reduce(masks).view(np.uint8) if masks else None


def open_geotiff(
    path: Path, asked: LayerRequest, trust: Trust, problems: Problems, is_vrt: bool = False
) -> GeoTiffSource | None:
    """Open one band of a GeoTIFF or VRT; None when a fault was added to `problems`."""
    before = len(problems.faults)
    driver = "VRT" if is_vrt else "GTiff"
    try:
        with gdal.report_read_errors("its header", asked.where):
            handle = _handle(str(path), driver, trust, asked.where)
            files, written = _files_and_tags(path, driver, trust, asked.where)
            bands, alpha = _bands(handle, asked, problems)
            if not bands:
                return None
            band = bands[0]
            dtype = handle.dtypes[band - 1]
            block = handle.block_shapes[band - 1]
            item = 16 if dtype.startswith("complex") else np.dtype(dtype).itemsize
            together = handle.count if handle.interleaving == Interleaving.pixel else 1
            block_bytes = math.prod(block) * item * together
            sized = check_size(handle.shape, block_bytes, trust.max_source_cells, asked.where, problems)
            if dtype.startswith("complex"):
                problems.add("E228", f"band {band} holds complex numbers", asked.where, "name a band of plain numbers")
            flags = set(handle.mask_flag_enums[band - 1])
            found = FileFacts(
                dtype if item < 16 else "float64",
                handle.scales[band - 1],
                handle.offsets[band - 1],
                _texts(handle, "units")[band - 1],
                _tags(handle.nodatavals[band - 1], written.get(band, written.get(0, ""))),
            )
            where_from = handle.crs.to_wkt() if handle.crs else ""
            transform = tuple(map(float, handle.transform[:6]))
            placed = handle.transform.to_gdal() != (0.0, 1.0, 0.0, 0.0, 0.0, 1.0)
            shape = handle.shape
            mask_file = _mask_beside(path, handle.shape, trust, asked, problems)
    except UnderoakError as error:
        problems.add_error(error)
        return None
    by_month = len(bands) > 1
    decision = resolve_rules(found, asked, problems, by_month)
    crs = resolve_crs(where_from, asked, problems)
    if not placed:
        what = "the file does not say where its cells lie (it has no geotransform; control points are not used)"
        problems.add("E222", what, asked.where, "write the georeferencing into the file itself")
    grid = Grid(crs or "EPSG:4326", transform, *shape)  # type: ignore[arg-type]
    fine = sized and placed and crs is not None and check_grid(grid, asked, problems)
    if not fine or decision is None or len(problems.faults) > before:
        return None
    return GeoTiffSource(
        path=str(path),
        driver=driver,
        bands=bands,
        encoding=decision.encoding,
        grid=grid,
        is_periodic=is_global(grid),
        facts=SourceFacts(
            path=str(path),
            format="VRT" if is_vrt else "GeoTIFF",
            dtype=dtype,
            stored_unit=decision.stored_unit,
            unit=decision.unit,
            decoding=decision.text,
            block=(int(block[0]), int(block[1])),
            files=(*files, *filter(None, (mask_file,))),
        ),
        trust=trust,
        asked=asked,
        alpha=alpha,
        has_mask=not flags & {MaskFlags.all_valid, MaskFlags.nodata, MaskFlags.alpha},
        mask_file=mask_file,
        months=tuple(range(1, 13)) if by_month else (),
        factors=tuple(mean_month(month).times(decision.per) for month in range(1, 13)) if by_month else (1.0,),
    )


def _handle(path: str, driver: str, trust: Trust, where: str) -> Any:
    def opener() -> Any:
        name = vrt.check_mosaic(path, trust, where).text if driver == "VRT" else path
        return gdal.open_raster(name, driver)

    return gdal.cached_handle((path, driver, file_stamp(path), trust), opener)


def _files_and_tags(path: Path, driver: str, trust: Trust, where: str) -> tuple[tuple[str, ...], dict[int, str]]:
    """Every file that is read, and nodata tags as written by band (0: all bands)."""
    if driver == "VRT":
        mosaic = vrt.check_mosaic(path, trust, where)
        return mosaic.files, mosaic.nodata
    return (str(path),), {0: str(read_tags(path).get(NODATA, ""))}


def _tags(known: float | None, written: str) -> tuple[float, ...]:
    """The nodata tag; the written one where the library does not show it because no cell can hold it."""
    if known is not None:
        return (float(known),)
    try:
        return (float(written),) if written.strip() else ()
    except ValueError:
        return ()


def _bands(handle: Any, asked: LayerRequest, problems: Problems) -> tuple[tuple[int, ...], int]:
    """The band asked for, or the twelve of a monthly file, and the alpha band (0: none); none after a fault."""
    alpha = next((i for i, what in enumerate(handle.colorinterp, 1) if what == ColorInterp.alpha), 0)
    bands = tuple(band for band in handle.indexes if band != alpha)
    if asked.band in bands:
        return (int(asked.band or 0),), alpha
    if asked.band is None and len(bands) == 1:
        return bands, alpha
    if asked.band is None and len(bands) == 12 and asked.monthly:
        units = _texts(handle, "units")
        said = zip(handle.scales, handle.offsets, handle.nodatavals, units, handle.dtypes, strict=True)
        if len({str(each) for i, each in enumerate(said, 1) if i in bands}) == 1:
            return bands, alpha
        what = "its twelve bands differ in type, scale, unit or nodata"
        problems.add("E227", what, asked.where, "write them all alike")
        return (), 0
    about = _texts(handle, "descriptions")
    names = [f"{b} ({about[b - 1]})" if about[b - 1] else str(b) for b in bands]
    what = f"it has {len(bands)} bands" if asked.band is None else f"there is no data band {asked.band}"
    listed = ", ".join(names[:12]) + (" ..." if len(names) > 12 else "")
    problems.add("E227", what, asked.where, f'add "band:" under {asked.key}, one of {listed}')
    return (), 0


def _texts(handle: Any, kind: str) -> list[str]:
    """The units or descriptions of all bands; a file that says them in no UTF-8 says nothing that we can use."""
    try:
        return [(text or "").strip() for text in getattr(handle, kind)]
    except UnicodeDecodeError:
        return [""] * handle.count


def _mask_beside(path: Path, shape: tuple[int, int], trust: Trust, asked: LayerRequest, problems: Problems) -> str:
    beside = Path(f"{path}.msk")
    if not beside.is_file():
        return ""
    if _handle(str(beside), "GTiff", trust, asked.where).shape != shape:
        what = f"the mask beside it, {beside.name}, has another size"
        problems.add("E229", what, asked.where, "make the mask again, or take it away if it is of another file")
    return str(beside)


def _opaque(alpha: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    """True where a cell is at least half opaque."""
    if alpha.dtype.kind == "f":
        return np.asarray(alpha >= 0.5)
    return np.asarray(alpha >= (int(np.iinfo(alpha.dtype).max) + 1) // 2)


def _inside(window: Window, grid: Grid) -> None:
    if window.is_empty or window != window.clip(*grid.shape):
        raise ValueError(f"{window} does not lie inside a grid of {grid.shape}")
