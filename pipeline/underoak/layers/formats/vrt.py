"""Mosaics (VRT): the text is checked and rewritten before the raster library reads it.

The library opens the checked text itself, with every source as the real path that was checked and nested mosaics put
in place: it cannot read anything that was not checked.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from xml.etree import ElementTree
from xml.parsers import expat

from underoak.base.errors import Fault, UnderoakError
from underoak.layers.files import MAX_BLOCK_BYTES, FileStamp, Trust, file_stamp, input_path, is_remote
from underoak.layers.formats.tiff_tags import block_bytes

MAX_DEPTH = 4
MAX_SOURCES = 20_000
_MAX_BYTES = 64 * 2**20

_SOURCES = {"SimpleSource", "ComplexSource", "NoDataFromMaskSource"}
_DATASET = {"SRS", "GeoTransform", "Metadata", "BlockXSize", "BlockYSize", "MaskBand", "VRTRasterBand", "OverviewList"}
_BAND = _SOURCES | {
    "ColorInterp", "NoDataValue", "HideNoDataValue", "ColorTable", "CategoryNames", "Description", "UnitType",
    "Offset", "Scale", "Metadata", "Histograms", "MaskBand", "GDALRasterAttributeTable",
}  # fmt: skip
_INSIDE_SOURCE = {
    "SourceFilename", "SourceBand", "SourceProperties", "SrcRect", "DstRect", "NODATA", "UseMaskBand", "ScaleOffset",
    "ScaleRatio", "LUT", "ColorTableComponent", "SourceMaskBand", "MaskValueThreshold", "NoDataValue",
    "RemappedValue", "Exponent", "SrcMin", "SrcMax", "DstMin", "DstMax", "Clamp",
}  # fmt: skip
_TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")


@dataclass(frozen=True, slots=True)
class Mosaic:
    """A checked mosaic: the text to open, every file it reads, and each band's nodata tag as written."""

    text: str
    files: tuple[str, ...]
    nodata: dict[int, str] = field(default_factory=dict, hash=False)


@dataclass
class _Check:
    """A check under way, of a mosaic and those inside it."""

    trust: Trust
    where: str
    files: dict[str, bytes] = field(default_factory=dict)  # real path -> its first bytes
    sources: int = 0

    def refuse(self, code: str, what: str, fix: str) -> UnderoakError:
        return UnderoakError(Fault(code, what, self.where, fix))


def check_mosaic(path: Path | str, trust: Trust, where: str = "") -> Mosaic:
    """Check a mosaic and everything in it; return the text to open.

    Raises:
        UnderoakError: E230 not readable as a mosaic, E240 anything that could run code or read raw bytes,
            E241 a source outside the trust roots, E242 one elsewhere than on this machine, E243 nested too deep or
            too many sources, E244 document types or entities, E245 and E246 as for any input file.
    """
    return _check_cached(str(path), file_stamp(path), trust, where)


@lru_cache(maxsize=32)
def _check_cached(path: str, _stamp: FileStamp, trust: Trust, where: str) -> Mosaic:
    check = _Check(trust, where)
    tree = _check_dataset(_parse(path, check), Path(path), check, 1)
    bands = enumerate(tree.iterfind("VRTRasterBand"), 1)
    nodata = {number: band.findtext("NoDataValue", "") for number, band in bands}
    return Mosaic(ElementTree.tostring(tree, "unicode"), (path, *sorted(check.files)), nodata)


def _parse(path: str, check: _Check) -> ElementTree.Element:
    if os.path.getsize(path) > _MAX_BYTES:
        raise check.refuse("E243", f"{path} is larger than {_MAX_BYTES >> 20} MiB", "make the mosaic of fewer sources")
    text = Path(path).read_bytes()
    scan = expat.ParserCreate()

    def refuse_declaration(*_: object) -> None:
        raise check.refuse(
            "E244", f"{path} declares a document type or entities", "a mosaic needs neither: remove them"
        )

    scan.StartDoctypeDeclHandler = refuse_declaration
    scan.EntityDeclHandler = refuse_declaration
    try:
        scan.Parse(text, True)
        tree = ElementTree.fromstring(text)
    except (expat.ExpatError, ElementTree.ParseError, ValueError, LookupError) as error:
        raise check.refuse("E230", f"{path} is not a readable mosaic ({error})", "build it again") from error
    if tree.tag != "VRTDataset":
        raise check.refuse("E230", f"{path} is not a mosaic: it begins with <{tree.tag}>", "name a GeoTIFF or a VRT")
    return tree


def _check_dataset(tree: ElementTree.Element, path: Path, check: _Check, depth: int) -> ElementTree.Element:
    if depth > MAX_DEPTH:
        fix = "build one mosaic straight from the rasters"
        raise check.refuse("E243", f"mosaics are nested more than {MAX_DEPTH} deep", fix)
    if tree.get("subClass"):
        raise _not_plain_fault(check, path, tree.get("subClass", ""))
    _allow_only(tree, _DATASET, path, check)
    tree.attrib = {k: v for k, v in tree.attrib.items() if k in {"rasterXSize", "rasterYSize"}}
    for overviews in tree.findall("OverviewList"):
        tree.remove(overviews)  # only viewers need them
    for band in _all_bands(tree):
        if band.get("subClass", "VRTSourcedRasterBand") != "VRTSourcedRasterBand":
            raise _not_plain_fault(check, path, band.get("subClass", ""))
        _allow_only(band, _BAND, path, check)
        for source in band:
            if source.tag in _SOURCES:
                _check_source(source, path, check, depth)
    return tree


def _all_bands(tree: ElementTree.Element) -> Iterator[ElementTree.Element]:
    """Yield the bands of the dataset, of its mask, and of the masks of its bands."""
    for child in tree:
        if child.tag == "VRTRasterBand":
            yield child
            yield from _all_bands(child)
        elif child.tag == "MaskBand":
            yield from _all_bands(child)


def _allow_only(parent: ElementTree.Element, allowed: set[str], path: Path, check: _Check) -> None:
    for child in parent:
        if child.tag not in allowed:
            raise _not_plain_fault(check, path, child.tag)
        if child.tag == "MaskBand":
            _allow_only(child, {"VRTRasterBand"}, path, check)


def _not_plain_fault(check: _Check, path: Path, element: str) -> UnderoakError:
    what = f'{path} contains "{element[:60]}", which can run code or read raw bytes; only plain mosaics are read'
    return check.refuse("E240", what, "write its result to a GeoTIFF with a tool you trust, and name that")


def _check_source(source: ElementTree.Element, path: Path, check: _Check, depth: int) -> None:
    _allow_only(source, _INSIDE_SOURCE, path, check)
    names = source.findall("SourceFilename")
    if len(names) != 1 or len(names[0]) or not (names[0].text or "").strip():
        raise check.refuse("E230", f"{path} has a source without one file name", "build the mosaic again")
    check.sources += 1
    if check.sources > MAX_SOURCES:
        fix = "build one mosaic for your region only"
        raise check.refuse("E243", f"more than {MAX_SOURCES:,} sources", fix)
    _refuse_blending(source, path, check)
    name = names[0]
    real = _locate_source((name.text or "").strip(), path, check)
    if check.files[real] in _TIFF:
        name.text = real
    elif check.files[real].lstrip(b"\xef\xbb\xbf \t\r\n")[:1] == b"<":
        inner = _check_dataset(_parse(real, check), Path(real), check, depth + 1)
        name.text = ElementTree.tostring(inner, "unicode")
    else:
        what = f"{path} reads {Path(real).name}, which is neither a GeoTIFF nor a mosaic"
        raise check.refuse("E240", what, "write its result to a GeoTIFF with a tool you trust, and name that")
    name.attrib = {"relativeToVRT": "0", "shared": "0"}


def _locate_source(name: str, path: Path, check: _Check) -> str:
    if is_remote(name):
        fix = "copy the source here and build the mosaic from the copy"
        raise check.refuse("E242", f'{path} reads "{name[:120]}", which is not on this machine', fix)
    real = os.path.realpath(path.parent / name)
    if not check.trust.contains(real):
        fix = f'if you trust it, add "roots: [{os.path.dirname(real)}]" under trust'
        raise check.refuse("E241", f"{path} reads {real}, outside the folders that the plan trusts", fix)
    if real not in check.files:
        file = input_path(real, path.parent, check.where)
        with file.open("rb") as stream:
            check.files[real] = stream.read(4)
        if block_bytes(real) > MAX_BLOCK_BYTES:
            what = f"{path} reads {real}, one stored block of which takes {block_bytes(real) >> 20:,} MiB in memory"
            raise check.refuse("E231", what, "write it again in tiles of 512 x 512 cells")
    return real


def _refuse_blending(source: ElementTree.Element, path: Path, check: _Check) -> None:
    """Refuse a source that is blended: its values would depend on the window that is read."""
    resampling = source.attrib.pop("resampling", "nearest").lower()
    source_box, target_box = source.find("SrcRect"), source.find("DstRect")
    if resampling in {"near", "nearest"} or source_box is None or target_box is None:
        return
    try:
        is_same_size = all(
            float(source_box.get(side, "0")) == float(target_box.get(side, "0")) for side in ("xSize", "ySize")
        )
    except ValueError:
        is_same_size = False
    if not is_same_size:
        what = f"{path} resamples its sources ({resampling}) to another cell size"
        raise check.refuse("E240", what, "build the mosaic at its sources' own cell size")


def files_at(text: str, band: int, row: int, col: int) -> tuple[str, ...]:
    """Return the files that hold a cell of a checked mosaic, in the order in which they are laid over each other."""
    tree = ElementTree.fromstring(text)
    bands = tree.findall("VRTRasterBand")
    files: list[str] = []
    for source in bands[min(band, len(bands)) - 1] if bands else ():
        if source.tag not in _SOURCES:
            continue
        name, inside = source.findtext("SourceFilename", ""), _cell_in_source(source, row, col)
        if inside is None:
            continue
        if name.startswith("<"):
            number = source.findtext("SourceBand", "")
            files.extend(files_at(name, int(number) if number.isdigit() else 1, *inside))
        else:
            files.append(name)
    return tuple(dict.fromkeys(files))


def _cell_in_source(source: ElementTree.Element, row: int, col: int) -> tuple[int, int] | None:
    """Return the row and column of a source's cell that lies under a cell of the mosaic; None if it has none there."""
    source_box, target_box = source.find("SrcRect"), source.find("DstRect")
    if source_box is None or target_box is None:
        return row, col
    sides = ("yOff", "ySize", "xOff", "xSize")
    try:
        top, height, left, width = (float(target_box.get(side, "0")) for side in sides)
        source_top, source_height, source_left, source_width = (float(source_box.get(side, "0")) for side in sides)
    except ValueError:
        return None
    v, u = (row + 0.5 - top) / height if height else -1.0, (col + 0.5 - left) / width if width else -1.0
    if not (0.0 <= v < 1.0 and 0.0 <= u < 1.0):
        return None
    return int(source_top + v * source_height), int(source_left + u * source_width)
