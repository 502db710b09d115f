"""The index of a remote GeoTIFF's first page: its tags, and where its blocks lie. Nothing is decoded.

Reading is by spans, so that the tables of a large file are read only where they are needed.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from underoak.base.errors import Fault, UnderoakError

Read = Callable[[int, int], bytes]  # the bytes from a start up to an end

STARTS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")  # of a TIFF
WIDTH, ROWS, BITS, COMPRESSION, SAMPLES = 256, 257, 258, 259, 277
STRIP_OFFSETS, STRIP_BYTES, PLANES, PREDICTOR = 273, 279, 284, 317
TILE_WIDTH, TILE_ROWS, TILE_OFFSETS, TILE_BYTES, FORMAT = 322, 323, 324, 325, 339
PIXEL_SCALE, TIE_POINTS, TRANSFORMATION, GEO_KEYS = 33550, 33922, 34264, 34735
METADATA, NODATA = 42112, 42113
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}
_FORMS = {1: "B", 3: "H", 4: "I", 11: "f", 12: "d", 13: "I", 16: "Q", 18: "Q"}
_MOST_ENTRIES, _MOST_TAG_BYTES, _MOST_SIDE = 200, 1 << 20, 1 << 26
_TYPES = {(1, 8): "uint8", (2, 16): "int16", (1, 16): "uint16", (2, 32): "int32", (3, 32): "float32"}
_COMPRESSIONS = {1: "none", 5: "lzw", 8: "deflate", 32946: "deflate", 50000: "zstd", 34887: "lerc"}
_SCALE_ITEM = re.compile(r"<Item\b([^>]*)>([^<]*)</Item>")


@dataclass(frozen=True, slots=True)
class Entry:
    """A tag: its type, how many values it has, and its value field."""

    kind: int
    count: int
    field: bytes

    @property
    def size(self) -> int:
        """Bytes of all its values."""
        return _SIZES.get(self.kind, 1) * self.count


@dataclass(frozen=True)
class TiffIndex:
    """The first page of a TIFF."""

    read: Read
    order: str  # of bytes, as in `struct`
    word: str
    entries: Mapping[int, Entry]
    name: str

    def data(self, tag: int, first: int = 0, count: int | None = None) -> bytes:
        """Return the bytes of a tag's values, or of some of them."""
        entry = self.entries[tag]
        unit = _SIZES.get(entry.kind, 1)
        n = entry.count - first if count is None else count
        if n < 0 or first + n > entry.count or unit * n > _MOST_TAG_BYTES:
            raise damaged(self.name, f"its tag {tag} claims {entry.count} values")
        if entry.size <= len(entry.field):
            return entry.field[first * unit : (first + n) * unit]
        start = struct.unpack(self.word, entry.field[: struct.calcsize(self.word)])[0] + first * unit
        return self.read(start, start + n * unit)

    def numbers(self, tag: int, first: int = 0, count: int | None = None) -> tuple[float, ...]:
        """Return the numbers of a tag; none if it is not there."""
        if tag not in self.entries:
            return ()
        form = _FORMS.get(self.entries[tag].kind)
        if form is None:
            raise damaged(self.name, f"its tag {tag} holds no numbers")
        data = self.data(tag, first, count)
        return struct.unpack(f"{self.order}{len(data) // struct.calcsize(form)}{form}", data)

    def whole_number(self, tag: int, default: int) -> int:
        """Return the first number of a tag."""
        numbers = self.numbers(tag, 0, 1) if tag in self.entries else ()
        value = int(numbers[0]) if numbers else default
        if not 0 <= value <= _MOST_SIDE:
            raise damaged(self.name, f"its tag {tag} says {value}")
        return value

    def text(self, tag: int) -> str:
        """Return the text of a tag; empty if it is not there."""
        return self.data(tag).split(b"\0")[0].decode("utf-8", "replace").strip() if tag in self.entries else ""

    @property
    def is_tiled(self) -> bool:
        """True if cells are in tiles, not in strips."""
        return TILE_OFFSETS in self.entries

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.whole_number(ROWS, 0), self.whole_number(WIDTH, 0)

    @property
    def block(self) -> tuple[int, int]:
        """Rows and columns of a tile."""
        return self.whole_number(TILE_ROWS, 0), self.whole_number(TILE_WIDTH, 0)

    @property
    def dtype(self) -> str:
        """Type of the stored values, as numpy names it; in words if it is none of the catalogue's."""
        key = (self.whole_number(FORMAT, 1), self.whole_number(BITS, 1))
        return _TYPES.get(key, f"format {key[0]} with {key[1]} bits")

    @property
    def compression(self) -> str:
        """Compression, in the catalogue's words."""
        code = self.whole_number(COMPRESSION, 1)
        return _COMPRESSIONS.get(code, f"code {code}")

    @property
    def nodata(self) -> float | None:
        """Stored value that means missing, as the header states it; None if it states none."""
        text = self.text(NODATA)
        try:
            return float(text) if text else None
        except ValueError:
            raise damaged(self.name, f'its missing value is "{text[:40]}"') from None

    def stated(self, role: str, band: int) -> float | None:
        """Return the scale or offset that the header states for a band (from 1); None if it states none."""
        for attributes, text in _SCALE_ITEM.findall(self.text(METADATA)):
            words = dict(re.findall(r'(\w+)="([^"]*)"', attributes))
            if words.get("role") == role and words.get("sample", "0") == str(band - 1):
                try:
                    return float(text)
                except ValueError:
                    raise damaged(self.name, f'its {role} is "{text[:40]}"') from None
        return None

    @property
    def geo_keys(self) -> dict[int, int]:
        """Numbers among the keys of the coordinate system."""
        numbers = [int(number) for number in self.numbers(GEO_KEYS)]
        rows = zip(*(numbers[4 + n :: 4] for n in range(4)), strict=False)
        return {key: value for key, place, _, value in rows if place == 0}

    @property
    def is_point(self) -> bool:
        """True if coordinates are those of cell centres."""
        return self.geo_keys.get(1025) == 2

    @property
    def epsg(self) -> int | None:
        """EPSG code of the coordinate system; None if it is described in another way."""
        keys = self.geo_keys
        code = keys.get(3072) if keys.get(1024) == 1 else keys.get(2048)
        return code if code is not None and code != 32767 else None

    @property
    def frame(self) -> tuple[float, float, float, float]:
        """Left, top, and width and height of a cell; of the file's outer corner, whatever its registration."""
        scale, ties = self.numbers(PIXEL_SCALE), self.numbers(TIE_POINTS)
        if TRANSFORMATION in self.entries or len(scale) < 2 or len(ties) != 6 or not min(scale[:2]) > 0.0:
            raise damaged(self.name, "it has no single tie-point and no cell size: it may be rotated")
        shift = 0.5 if self.is_point else 0.0
        left, top = ties[3] - (ties[0] + shift) * scale[0], ties[4] + (ties[1] + shift) * scale[1]
        return left, top, scale[0], scale[1]


def read_index(read: Read, name: str) -> TiffIndex:
    """Read the index of the first page.

    Raises:
        UnderoakError: E714 for what is no TIFF, or a damaged one.
    """
    header = read(0, 16)
    order = {b"II": "<", b"MM": ">"}.get(header[:2], "")
    version = struct.unpack(order + "H", header[2:4])[0] if order else 0
    if version not in (42, 43):
        raise damaged(name, f"it is no TIFF: it begins with {header[:12]!r}")
    is_big = version == 43
    word, entry_form = order + ("Q" if is_big else "I"), order + ("HHQ8s" if is_big else "HHI4s")
    place = struct.unpack(word, header[8:16] if is_big else header[4:8])[0]
    count_form = order + ("Q" if is_big else "H")
    n_count = struct.calcsize(count_form)
    count = struct.unpack(count_form, read(place, place + n_count))[0]
    if not 1 <= count <= _MOST_ENTRIES:
        raise damaged(name, f"its first page claims {count} tags")
    size = struct.calcsize(entry_form)
    table = read(place + n_count, place + n_count + count * size)
    entries = {tag: Entry(kind, n, field) for tag, kind, n, field in struct.iter_unpack(entry_form, table)}
    index = TiffIndex(read, order, word, entries, name)
    rows, cols = index.shape
    if rows < 1 or cols < 1:
        raise damaged(name, f"it has {rows} x {cols} cells")
    if index.is_tiled and not all(1 <= side <= 1 << 14 for side in index.block):
        raise damaged(name, f"its tiles have {index.block[0]} x {index.block[1]} cells")
    return index


def damaged(name: str, why: str) -> UnderoakError:
    """Return the error of a file that cannot be what the catalogue says."""
    return UnderoakError(Fault("E714", why, name, "the file is damaged, or the catalogue's address is wrong"))
