"""Tags of a TIFF's first page, some of which the raster library hides or shows only when it opens the file."""

from __future__ import annotations

import struct
from pathlib import Path

NODATA = 42113
_WIDTH, _ROWS, _BITS, _COMPRESSION, _BANDS = 256, 257, 258, 259, 277
_STRIP_ROWS, _PLANES, _TILE_WIDTH, _TILE_ROWS = 278, 284, 322, 323
_MAX_ENTRIES = 4096
_NUMBERS = {1: "B", 3: "H", 4: "I", 16: "Q"}
_ASCII = 2


def read_tags(path: Path | str) -> dict[int, int | str]:
    """Return first numbers and short texts of the first page, by tag; empty if the file is no TIFF.

    >>> read_tags(__file__)
    {}
    """
    tags: dict[int, int | str] = {}
    try:
        with open(path, "rb") as stream:
            header = stream.read(16)
            order = {b"II": "<", b"MM": ">"}.get(header[:2], "")
            if not order:
                return {}
            big = struct.unpack(order + "H", header[2:4])[0] == 43
            word = order + ("Q" if big else "I")
            stream.seek(struct.unpack(word, header[8:16] if big else header[4:8])[0])
            count = struct.unpack(order + ("Q" if big else "H"), stream.read(8 if big else 2))[0]
            form = order + ("HHQ8s" if big else "HHI4s")
            size = struct.calcsize(form)
            entries = stream.read(size * min(count, _MAX_ENTRIES))
            for code, field_type, length, value in struct.iter_unpack(form, entries[: len(entries) // size * size]):
                item_bytes = 1 if field_type == _ASCII else 0
                if field_type in _NUMBERS:
                    item_bytes = struct.calcsize(order + _NUMBERS[field_type])
                if not item_bytes or (field_type == _ASCII and length > 256):
                    continue
                if item_bytes * length > len(value):
                    stream.seek(struct.unpack(word, value)[0])
                    value = stream.read(item_bytes * length if field_type == _ASCII else item_bytes)
                if field_type == _ASCII:
                    tags[code] = value[:length].split(b"\0")[0].decode("ascii", "replace").strip()
                else:
                    tags[code] = struct.unpack(order + _NUMBERS[field_type], value[:item_bytes])[0]
    except (OSError, struct.error, OverflowError, ValueError):
        return tags
    return tags


def block_bytes(path: Path | str) -> int:
    """Return the memory [bytes] of one unpacked block; 0 if the file is no TIFF."""
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
