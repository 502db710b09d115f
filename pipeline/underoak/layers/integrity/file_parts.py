"""The parts of TIFF files that a source reads: straight, through a mosaic, or for its mask."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from xml.etree import ElementTree

from underoak.base.grid import Window
from underoak.layers.formats.geotiff import GeoTiffSource
from underoak.layers.formats.vrt import check_mosaic
from underoak.layers.source import Source

_MOST_CELLS = 1 << 40  # stands for "to the end": windows are clipped to the file

# control characters of folders, as private characters while XML is parsed
_TO_XML = {code: 0x10FF00 + code for code in range(1, 32) if chr(code) not in "\t\n\r"}
_FROM_XML = {private: code for code, private in _TO_XML.items()}


@dataclass(frozen=True, slots=True)
class FilePart:
    """The cells that are read of some bands of one TIFF."""

    path: str
    bands: tuple[int, ...]
    window: Window
    where: str  # how messages name the layer


def file_parts(source: Source, window: Window) -> Iterator[FilePart]:
    """Yield the parts of all TIFF files that a source reads for a window; none for other formats.

    A window that runs across the seam of a source that goes once round the Earth stands for all columns.
    """
    if not isinstance(source, GeoTiffSource):
        return
    rows, cols = source.grid.shape
    if source.is_periodic and (window.col < 0 or window.col + window.cols > cols):
        window = Window(window.row, 0, window.rows, cols)
    window = window.clip(rows, cols)
    if window.is_empty:
        return
    bands, where = (*source.bands, *filter(None, (source.alpha,))), source.request.where
    if source.driver == "VRT":
        yield from _mosaic_parts(_parsed(check_mosaic(source.path, source.trust, where).text), window, bands, where)
    else:
        yield FilePart(source.path, bands, window, where)
    if source.mask_file:
        yield FilePart(source.mask_file, (1,), window, where)


def _parsed(text: str) -> ElementTree.Element:
    """Return the tree of a checked mosaic, whose absolute names may hold characters that XML forbids."""
    return ElementTree.fromstring(text.translate(_TO_XML))


def _mosaic_parts(
    tree: ElementTree.Element, window: Window, bands: tuple[int, ...], where: str
) -> Iterator[FilePart]:  # fmt: skip
    """Yield the parts of a checked mosaic's sources, and of the mosaics inside it."""
    read = [band for number, band in enumerate(tree.iterfind("VRTRasterBand"), 1) if number in bands]
    masks = [band for parent in (tree, *read) for band in parent.iterfind("MaskBand/VRTRasterBand")]
    for band in (*read, *masks):
        for source in band:
            name = source.findtext("SourceFilename")
            part = None if name is None else _source_window(source, window)
            if name is None or part is None:
                continue
            number = source.findtext("SourceBand", "1")
            source_bands = (int(number),) if number.isdigit() else (1,)  # "mask,1": a mask is of all bands
            if name.startswith("<"):
                yield from _mosaic_parts(_parsed(name), part, source_bands, where)
            else:
                yield FilePart(name.translate(_FROM_XML), source_bands, part, where)


def _source_window(source: ElementTree.Element, window: Window) -> Window | None:
    """Return the cells of a mosaic's source that a window of the mosaic shows; None if there are none."""
    inside, outside = source.find("SrcRect"), source.find("DstRect")
    if inside is None or outside is None:
        return Window(0, 0, _MOST_CELLS, _MOST_CELLS)
    row = _stretch(inside, outside, "y", window.row, window.rows)
    col = _stretch(inside, outside, "x", window.col, window.cols)
    return None if row is None or col is None else Window(row[0], col[0], row[1], col[1])


def _stretch(
    inside: ElementTree.Element, outside: ElementTree.Element, axis: str, first: int, count: int
) -> tuple[int, int] | None:
    """Return first cell and count along one axis of a source, one cell more on each side; None if it shows nothing."""
    try:
        start, size = (float(outside.get(f"{axis}{name}", "nan")) for name in ("Off", "Size"))
        source_start, source_size = (float(inside.get(f"{axis}{name}", "nan")) for name in ("Off", "Size"))
    except ValueError:
        return 0, _MOST_CELLS
    if not all(map(math.isfinite, (start, size, source_start, source_size))) or size <= 0:
        return 0, _MOST_CELLS
    low, high = max(first, start), min(first + count, start + size)
    if high <= low:
        return None
    step = source_size / size
    cells = [max(source_start + (end - start) * step, 0.0) for end in (low, high)]
    begin = max(math.floor(cells[0]) - 1, 0)
    return begin, math.ceil(cells[1]) + 1 - begin
