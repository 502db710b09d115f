"""Mosaics (VRT): the text is checked and written anew before the raster library sees it.

What is opened is the checked text itself, with every source as the real path that was checked and nested mosaics put
in place: nothing read afterwards can differ from what was allowed.
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
from underoak.layers.files import MOST_BLOCK_BYTES, Trust, file_stamp, input_path, is_remote
from underoak.layers.formats.tiff_tags import block_bytes

MOST_DEPTH = 4
MOST_SOURCES = 20_000
_MOST_BYTES = 64 * 2**20

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
class _Walk:
    """What has been met on the way through a mosaic and those inside it."""

    trust: Trust
    where: str
    files: dict[str, bytes] = field(default_factory=dict)  # real path -> its first bytes
    sources: int = 0

    def refuse(self, code: str, what: str, fix: str) -> UnderoakError:
        return UnderoakError(Fault(code, what, self.where, fix))


def check_mosaic(path: Path | str, trust: Trust, where: str = "") -> Mosaic:
    """Check a mosaic and everything in it.

    Raises:
        UnderoakError: E230 not readable as a mosaic, E240 anything that could run or read what is no raster,
            E241 a source outside the trust roots, E242 one elsewhere than on this machine, E243 nested too deep or
            too many sources, E244 document types or entities, E245 and E246 as for any input file.
    """
    return _check(str(path), file_stamp(path), trust, where)


@lru_cache(maxsize=32)
def _check(path: str, _stamp: tuple[int, int], trust: Trust, where: str) -> Mosaic:
    walk = _Walk(trust, where)
    tree = _dataset(_parse(path, walk), Path(path), walk, 1)
    bands = enumerate(tree.iterfind("VRTRasterBand"), 1)
    nodata = {number: band.findtext("NoDataValue", "") for number, band in bands}
    return Mosaic(ElementTree.tostring(tree, "unicode"), (path, *sorted(walk.files)), nodata)


def _parse(path: str, walk: _Walk) -> ElementTree.Element:
    if os.path.getsize(path) > _MOST_BYTES:
        raise walk.refuse("E243", f"{path} is larger than {_MOST_BYTES >> 20} MiB", "make the mosaic of fewer sources")
    text = Path(path).read_bytes()
    scan = expat.ParserCreate()

    def declared(*_: object) -> None:
        raise walk.refuse("E244", f"{path} declares a document type or entities", "a mosaic needs neither: remove them")

    scan.StartDoctypeDeclHandler = declared
    scan.EntityDeclHandler = declared
    try:
        scan.Parse(text, True)
        tree = ElementTree.fromstring(text)
    except (expat.ExpatError, ElementTree.ParseError, ValueError, LookupError) as error:
        raise walk.refuse("E230", f"{path} is not a readable mosaic ({error})", "build it again") from error
    if tree.tag != "VRTDataset":
        raise walk.refuse("E230", f"{path} is not a mosaic: it begins with <{tree.tag}>", "name a GeoTIFF or a VRT")
    return tree


def _dataset(tree: ElementTree.Element, path: Path, walk: _Walk, depth: int) -> ElementTree.Element:
    if depth > MOST_DEPTH:
        fix = "build one mosaic straight from the rasters"
        raise walk.refuse("E243", f"mosaics lie more than {MOST_DEPTH} deep inside one another", fix)
    if tree.get("subClass"):
        raise _not_plain(walk, path, tree.get("subClass", ""))
    _only(tree, _DATASET, path, walk)
    tree.attrib = {k: v for k, v in tree.attrib.items() if k in {"rasterXSize", "rasterYSize"}}
    for overviews in tree.findall("OverviewList"):
        tree.remove(overviews)  # they are a convenience of viewers
    for band in _bands(tree):
        if band.get("subClass", "VRTSourcedRasterBand") != "VRTSourcedRasterBand":
            raise _not_plain(walk, path, band.get("subClass", ""))
        _only(band, _BAND, path, walk)
        for source in band:
            if source.tag in _SOURCES:
                _source(source, path, walk, depth)
    return tree


def _bands(tree: ElementTree.Element) -> Iterator[ElementTree.Element]:
    """Bands of the dataset, of its mask, and the masks of its bands."""
    for child in tree:
        if child.tag == "VRTRasterBand":
            yield child
            yield from _bands(child)
        elif child.tag == "MaskBand":
            yield from _bands(child)


def _only(parent: ElementTree.Element, allowed: set[str], path: Path, walk: _Walk) -> None:
    for child in parent:
        if child.tag not in allowed:
            raise _not_plain(walk, path, child.tag)
        if child.tag == "MaskBand":
            _only(child, {"VRTRasterBand"}, path, walk)


def _not_plain(walk: _Walk, path: Path, found: str) -> UnderoakError:
    what = f'{path} is more than a plain mosaic: "{found[:60]}" could compute, run code or read raw bytes'
    return walk.refuse("E240", what, "write its result to a GeoTIFF with a tool you trust, and name that")


def _source(source: ElementTree.Element, path: Path, walk: _Walk, depth: int) -> None:
    _only(source, _INSIDE_SOURCE, path, walk)
    names = source.findall("SourceFilename")
    if len(names) != 1 or len(names[0]) or not (names[0].text or "").strip():
        raise walk.refuse("E230", f"{path} has a source without one file name", "build the mosaic again")
    walk.sources += 1
    if walk.sources > MOST_SOURCES:
        fix = "build one mosaic for your region only"
        raise walk.refuse("E243", f"more than {MOST_SOURCES:,} sources", fix)
    _no_blending(source, path, walk)
    name = names[0]
    real = _locate((name.text or "").strip(), path, walk)
    if walk.files[real] in _TIFF:
        name.text = real
    elif walk.files[real].lstrip(b"\xef\xbb\xbf \t\r\n")[:1] == b"<":
        inner = _dataset(_parse(real, walk), Path(real), walk, depth + 1)
        name.text = ElementTree.tostring(inner, "unicode")
    else:
        raise _not_plain(walk, path, f"{Path(real).name}, which is neither a GeoTIFF nor a mosaic")
    name.attrib = {"relativeToVRT": "0", "shared": "0"}


def _locate(name: str, path: Path, walk: _Walk) -> str:
    if is_remote(name):
        fix = "copy the source here and build the mosaic from the copy"
        raise walk.refuse("E242", f'{path} reads "{name[:120]}", which is not on this machine', fix)
    real = os.path.realpath(path.parent / name)
    if not walk.trust.contains(real):
        fix = f'if you trust it, add "roots: [{os.path.dirname(real)}]" under trust'
        raise walk.refuse("E241", f"{path} reads {real}, outside the folders that the plan trusts", fix)
    if real not in walk.files:
        file = input_path(real, path.parent, walk.where)
        with file.open("rb") as stream:
            walk.files[real] = stream.read(4)
        if block_bytes(real) > MOST_BLOCK_BYTES:
            what = f"{path} reads {real}, one stored block of which takes {block_bytes(real) >> 20:,} MiB in memory"
            raise walk.refuse("E231", what, "write it again in tiles of 512 x 512 cells")
    return real


def _no_blending(source: ElementTree.Element, path: Path, walk: _Walk) -> None:
    """A source that is blended on the way would give values that depend on the window asked for."""
    how = source.attrib.pop("resampling", "nearest").lower()
    inside, onto = source.find("SrcRect"), source.find("DstRect")
    if how in {"near", "nearest"} or inside is None or onto is None:
        return
    try:
        same = all(float(inside.get(side, "0")) == float(onto.get(side, "0")) for side in ("xSize", "ySize"))
    except ValueError:
        same = False
    if not same:
        what = f"{path} blends its sources ({how}) on the way to another cell size"
        raise walk.refuse("E240", what, "build the mosaic at its sources' own cell size")
