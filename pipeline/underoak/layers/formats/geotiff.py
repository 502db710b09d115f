"""GeoTIFF, COG and plain mosaics of them: opened, described and read by windows.

Where cells lie: the raster library reports the outer corner of a cell. A GeoTIFF tagged `PixelIsPoint` counts from
cell centres, and the library shifts it by half a cell when it opens the file; in a mosaic the tag has no effect.
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
from rasterio.io import DatasetReader

from underoak.base.errors import Problems, UnderoakError
from underoak.base.grid import Grid, Window
from underoak.layers.decoding.encoding import Encoding, Mask, Probe
from underoak.layers.decoding.rules import FileFacts, resolve_rules
from underoak.layers.decoding.time_axis import MONTH_NAMES, mean_month
from underoak.layers.files import Trust, check_size, file_stamp
from underoak.layers.formats import gdal, vrt
from underoak.layers.formats.georeference import check_grid, check_inside, is_global, resolve_crs
from underoak.layers.formats.tiff_tags import NODATA, read_tags
from underoak.layers.layer_request import LayerRequest
from underoak.layers.source import Reading, SourceFacts


@dataclass(frozen=True, slots=True)
class GeoTiffSource:
    """A band, or twelve of a monthly file, on the source grid. Every thread that reads has its own open file."""

    path: str
    driver: str  # GTiff | VRT
    bands: tuple[int, ...]  # one, or one for each month
    encoding: Encoding
    grid: Grid
    is_periodic: bool
    facts: SourceFacts
    trust: Trust
    request: LayerRequest = field(compare=False)
    alpha: int = 0  # the band of opacity, 0 for none
    has_mask: bool = False  # a mask stored in the file
    mask_file: str = ""  # a mask stored beside it
    months: tuple[int, ...] = ()
    factors: tuple[float, ...] = (1.0,)  # for each band, what a rate is multiplied by

    def read(self, window: Window) -> Reading:
        """Read decoded cells as `Source.read`; cells that are not finite count as implausible."""
        decoded = [probe.encoding.decode(probe.stored, probe.shown) for probe in self.probe(window)]
        dropped = sum(d.implausible + d.infinite for d in decoded)
        return Reading(np.stack([d.values for d in decoded]) if self.months else decoded[0].values, dropped)

    def probe(self, window: Window, every_step: bool = True) -> list[Probe]:
        """Read stored cells of a window by band, with the encoding of each; every band is read in any case."""
        stored, shown = self.stored(window)
        months = self.months or (0,)
        return [
            Probe(
                band, shown, self.encoding if factor == 1.0 else self.encoding.times(factor), month,
                MONTH_NAMES[month - 1] if month else "",
            )
            for band, factor, month in zip(stored, self.factors, months, strict=True)
        ]  # fmt: skip

    def files_at(self, row: int, col: int) -> tuple[str, ...]:
        """Return the files of a mosaic that hold a cell, the one on top last; empty for a single file."""
        if self.driver != "VRT":
            return ()
        mosaic = vrt.check_mosaic(self.path, self.trust, self.request.where)
        return vrt.files_at(mosaic.text, self.bands[0], row, col)

    def stored(self, window: Window) -> tuple[npt.NDArray[Any], Mask | None]:
        """Read cells as stored, (bands, rows, cols), and the mask of shown cells, (rows, cols), from all masks.

        Nodata is not part of the mask: the encoding handles it.

        Raises:
            UnderoakError: E230 when the file cannot be read there.
        """
        check_inside(window, self.grid)
        raster_window = rasterio.windows.Window(window.col, window.row, window.cols, window.rows)
        where = self.request.where
        with gdal.report_read_errors(f"rows {window.row}+{window.rows}, columns {window.col}+{window.cols}", where):
            handle = _open_handle(self.path, self.driver, self.trust, where)
            stored = handle.read(list(self.bands), window=raster_window)
            masks = []
            if self.has_mask:
                masks.append(handle.read_masks(self.bands[0], window=raster_window) >= 128)
            if self.alpha:
                masks.append(_is_opaque(handle.read(self.alpha, window=raster_window)))
            if self.mask_file:
                masks.append(
                    _open_handle(self.mask_file, "GTiff", self.trust, where).read(1, window=raster_window) != 0
                )
        return stored, np.logical_and.reduce(masks).view(np.uint8) if masks else None


def open_geotiff(
    path: Path, request: LayerRequest, trust: Trust, problems: Problems, is_vrt: bool = False
) -> GeoTiffSource | None:
    """Open one band of a GeoTIFF or VRT; None when a fault was added to `problems`."""
    n_faults_before = len(problems.faults)
    driver = "VRT" if is_vrt else "GTiff"
    try:
        with gdal.report_read_errors("its header", request.where):
            handle = _open_handle(str(path), driver, trust, request.where)
            files, tags_as_written = _files_and_tags(path, driver, trust, request.where)
            bands, alpha = _select_bands(handle, request, problems)
            if not bands:
                return None
            band = bands[0]
            dtype = handle.dtypes[band - 1]
            block = handle.block_shapes[band - 1]
            item_bytes = 16 if dtype.startswith("complex") else np.dtype(dtype).itemsize
            bands_per_block = handle.count if handle.interleaving == Interleaving.pixel else 1
            block_bytes = math.prod(block) * item_bytes * bands_per_block
            is_sized = check_size(handle.shape, block_bytes, trust.max_source_cells, request.where, problems)
            if dtype.startswith("complex"):
                problems.add(
                    "E228", f"band {band} holds complex numbers", request.where, "name a band of plain numbers"
                )
            flags = set(handle.mask_flag_enums[band - 1])
            facts = FileFacts(
                dtype if item_bytes < 16 else "float64",
                handle.scales[band - 1],
                handle.offsets[band - 1],
                _band_texts(handle, "units")[band - 1],
                _nodata_tags(handle.nodatavals[band - 1], tags_as_written.get(band, tags_as_written.get(0, ""))),
            )
            file_crs = handle.crs.to_wkt() if handle.crs else ""
            a, b, c, d, e, f = map(float, handle.transform[:6])
            is_placed = handle.transform.to_gdal() != (0.0, 1.0, 0.0, 0.0, 0.0, 1.0)
            shape = handle.shape
            mask_file = _find_mask_file(path, handle.shape, trust, request, problems)
    except UnderoakError as error:
        problems.add_error(error)
        return None
    by_month = len(bands) > 1
    rules = resolve_rules(facts, request, problems, by_month)
    crs = resolve_crs(file_crs, request, problems)
    if not is_placed:
        what = "the file does not state where its cells lie (it has no geotransform; control points are not used)"
        problems.add("E222", what, request.where, "write the georeferencing into the file itself")
    grid = Grid(crs or "EPSG:4326", (a, b, c, d, e, f), *shape)
    is_usable = is_sized and is_placed and crs is not None and check_grid(grid, request, problems)
    if not is_usable or rules is None or len(problems.faults) > n_faults_before:
        return None
    return GeoTiffSource(
        path=str(path),
        driver=driver,
        bands=bands,
        encoding=rules.encoding,
        grid=grid,
        is_periodic=is_global(grid),
        facts=SourceFacts(
            path=str(path),
            format="VRT" if is_vrt else "GeoTIFF",
            dtype=dtype,
            stored_unit=rules.stored_unit,
            unit=rules.unit,
            decoding=rules.text,
            block=(int(block[0]), int(block[1])),
            files=(*files, *filter(None, (mask_file,))),
            file=request.file,
        ),
        trust=trust,
        request=request,
        alpha=alpha,
        has_mask=not flags & {MaskFlags.all_valid, MaskFlags.nodata, MaskFlags.alpha},
        mask_file=mask_file,
        months=tuple(range(1, 13)) if by_month else (),
        factors=tuple(mean_month(month).times(rules.per) for month in range(1, 13)) if by_month else (1.0,),
    )


def _open_handle(path: str, driver: str, trust: Trust, where: str) -> DatasetReader:
    def opener() -> DatasetReader:
        name = vrt.check_mosaic(path, trust, where).text if driver == "VRT" else path
        return gdal.open_raster(name, driver)

    return gdal.cached_handle((path, driver, file_stamp(path), trust), opener)


def _files_and_tags(path: Path, driver: str, trust: Trust, where: str) -> tuple[tuple[str, ...], dict[int, str]]:
    """Return every file that is read, and the nodata tags as written, by band (0: all bands)."""
    if driver == "VRT":
        mosaic = vrt.check_mosaic(path, trust, where)
        return mosaic.files, mosaic.nodata
    return (str(path),), {0: str(read_tags(path).get(NODATA, ""))}


def _nodata_tags(tag: float | None, tags_as_written: str) -> tuple[float, ...]:
    """Return the nodata tag; the written one where the library hides it because no cell can hold it."""
    if tag is not None:
        return (float(tag),)
    try:
        return (float(tags_as_written),) if tags_as_written.strip() else ()
    except ValueError:
        return ()


def _select_bands(handle: DatasetReader, request: LayerRequest, problems: Problems) -> tuple[tuple[int, ...], int]:
    """Return the requested band or the twelve of a monthly file, and the alpha band (0: none); none after a fault."""
    alpha = next((i for i, what in enumerate(handle.colorinterp, 1) if what == ColorInterp.alpha), 0)
    bands = tuple(band for band in handle.indexes if band != alpha)
    if request.band in bands:
        return (int(request.band or 0),), alpha
    if request.band is None and len(bands) == 1:
        return bands, alpha
    if request.band is None and len(bands) == 12 and request.monthly:
        units = _band_texts(handle, "units")
        band_properties = zip(handle.scales, handle.offsets, handle.nodatavals, units, handle.dtypes, strict=True)
        if len({str(properties) for i, properties in enumerate(band_properties, 1) if i in bands}) == 1:
            return bands, alpha
        what = "its twelve bands differ in type, scale, unit or nodata"
        problems.add("E227", what, request.where, "write all bands with the same type, scale, unit and nodata")
        return (), 0
    descriptions = _band_texts(handle, "descriptions")
    band_names = [f"{b} ({descriptions[b - 1]})" if descriptions[b - 1] else str(b) for b in bands]
    what = f"it has {len(bands)} bands" if request.band is None else f"there is no data band {request.band}"
    bands_listed = ", ".join(band_names[:12]) + (" ..." if len(band_names) > 12 else "")
    problems.add("E227", what, request.where, f'add "band:" under {request.key}, one of {bands_listed}')
    return (), 0


def _band_texts(handle: DatasetReader, kind: str) -> list[str]:
    """Return the units or descriptions of all bands; empty where the file's texts are not UTF-8."""
    try:
        return [(text or "").strip() for text in getattr(handle, kind)]
    except UnicodeDecodeError:
        return [""] * handle.count


def _find_mask_file(path: Path, shape: tuple[int, int], trust: Trust, request: LayerRequest, problems: Problems) -> str:
    beside = Path(f"{path}.msk")
    if not beside.is_file():
        return ""
    if _open_handle(str(beside), "GTiff", trust, request.where).shape != shape:
        what = f"the mask beside it, {beside.name}, has another size"
        problems.add("E229", what, request.where, "make the mask again, or remove it if it belongs to another file")
    return str(beside)


def _is_opaque(alpha: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    """Return a mask of the cells that are at least half opaque."""
    if alpha.dtype.kind == "f":
        return np.asarray(alpha >= 0.5)
    return np.asarray(alpha >= (int(np.iinfo(alpha.dtype).max) + 1) // 2)
