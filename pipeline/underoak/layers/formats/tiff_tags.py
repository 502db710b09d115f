"""A TIFF's first page by its own words: what the raster library hides, or would have to open the file to say."""

from __future__ import annotations

import struct
from pathlib import Path

NODATA = 42113
_WIDTH, _ROWS, _BITS, _COMPRESSION, _BANDS = 256, 257, 258, 259, 277
_STRIP_ROWS, _PLANES, _TILE_WIDTH, _TILE_ROWS = 278, 284, 322, 323
_MOST_ENTRIES = 4096
_NUMBERS = {1: "B", 3: "H", 4: "I", 16: "Q"}
_ASCII = 2


def read_tags(path: Path | str) -> dict[int, int | str]:
    """First numbers and short texts of the first page, by tag; empty for what is no TIFF.

    >>> read_tags(__file__)
    {}
    """
    found: dict[int, int | str] = {}
    try:
        with open(path, "rb") as stream:
            head = stream.read(16)
            order = {b"II": "<", b"MM": ">"}.get(head[:2], "")
            if not order:
                return {}
            big = struct.unpack(order + "H", head[2:4])[0] == 43
            word = order + ("Q" if big else "I")
            stream.seek(struct.unpack(word, head[8:16] if big else head[4:8])[0])
            count = struct.unpack(order + ("Q" if big else "H"), stream.read(8 if big else 2))[0]
            form = order + ("HHQ8s" if big else "HHI4s")
            size = struct.calcsize(form)
            entries = stream.read(size * min(count, _MOST_ENTRIES))
            for code, kind, length, value in struct.iter_unpack(form, entries[: len(entries) // size * size]):
                each = 1 if kind == _ASCII else struct.calcsize(order + _NUMBERS[kind]) if kind in _NUMBERS else 0
                if not each or (kind == _ASCII and length > 256):
                    continue
                if each * length > len(value):
                    stream.seek(struct.unpack(word, value)[0])
                    value = stream.read(each * length if kind == _ASCII else each)
                if kind == _ASCII:
                    found[code] = value[:length].split(b"\0")[0].decode("ascii", "replace").strip()
                else:
                    found[code] = struct.unpack(order + _NUMBERS[kind], value[:each])[0]
    except (OSError, struct.error, OverflowError, ValueError):
        return found
    return found


def block_bytes(path: Path | str) -> int:
    """Memory one stored block takes when it is unpacked; 0 for what is no TIFF."""
    page = {tag: value for tag, value in read_tags(path).items() if isinstance(value, int)}
    width, rows = page.get(_WIDTH, 0), page.get(_ROWS, 0)
    bands = page.get(_BANDS, 1) if page.get(_PLANES, 1) == 1 else 1
    if _TILE_WIDTH in page:
        cells = page[_TILE_WIDTH] * page.get(_TILE_ROWS, 0)
    elif page.get(_COMPRESSION, 1) == 1:
        cells = width  # plain strips can be read row by row
    else:
        cells = width * min(page.get(_STRIP_ROWS, rows), rows)
    return cells * bands * -(-page.get(_BITS, 1) // 8)
