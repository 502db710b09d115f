"""Tags of a TIFF's first page, some of which the raster library hides or shows only when it opens the file."""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

NODATA = 42113
_WIDTH, _ROWS, _BITS, _COMPRESSION, _BANDS = 256, 257, 258, 259, 277
_STRIP_ROWS, _PLANES, _TILE_WIDTH, _TILE_ROWS = 278, 284, 322, 323
_MAX_ENTRIES, _MAX_PAGES = 4096, 1024
_NUMBERS = {1: "B", 3: "H", 4: "I", 16: "Q"}
_ASCII = 2


@dataclass(frozen=True, slots=True)
class Page:
    """The tags of one page of an open TIFF. Each field has a type, a count, and its value or the place of it."""

    stream: BinaryIO
    order: str  # of bytes, as in `struct`
    word: str  # the form of an offset
    fields: dict[int, tuple[int, int, bytes]]

    def first(self, tag: int) -> int | str | None:
        """Return the first number or the short text of a tag; None where there is neither."""
        field_type, length, value = self.fields[tag]
        if field_type == _ASCII and length <= 256:
            return self._bytes(length, value)[:length].split(b"\0")[0].decode("ascii", "replace").strip()
        if field_type not in _NUMBERS:
            return None
        form = self.order + _NUMBERS[field_type]
        size = struct.calcsize(form)
        if size * length > len(value):
            value = self._bytes(size, value, is_elsewhere=True)
        return int(struct.unpack(form, value[:size])[0])

    def numbers(self, tag: int) -> npt.NDArray[np.uint64]:
        """Return all numbers of a tag; empty where there are none."""
        field_type, length, value = self.fields.get(tag, (0, 0, b""))
        if field_type not in _NUMBERS:
            return np.zeros(0, np.uint64)
        form = np.dtype(self.order + _NUMBERS[field_type])
        data = self._bytes(form.itemsize * length, value)[: form.itemsize * length]
        return np.frombuffer(data[: len(data) // form.itemsize * form.itemsize], form).astype(np.uint64)

    def _bytes(self, size: int, value: bytes, is_elsewhere: bool = False) -> bytes:
        if size <= len(value) and not is_elsewhere:
            return value
        self.stream.seek(struct.unpack(self.word, value)[0])
        return self.stream.read(min(size, os.fstat(self.stream.fileno()).st_size))  # not more than can be there


def read_pages(stream: BinaryIO) -> Iterator[Page]:
    """Yield the pages of a TIFF in their order; none if it is no TIFF.

    Raises:
        OSError, struct.error, OverflowError, ValueError: for a page that cannot be read.
    """
    header = stream.read(16)
    order = {b"II": "<", b"MM": ">"}.get(header[:2], "")
    if not order:
        return
    is_big = struct.unpack(order + "H", header[2:4])[0] == 43
    word = order + ("Q" if is_big else "I")
    form = order + ("HHQ8s" if is_big else "HHI4s")
    size, places = struct.calcsize(form), {0}
    place = struct.unpack(word, header[8:16] if is_big else header[4:8])[0]
    while place not in places and len(places) <= _MAX_PAGES:
        places.add(place)
        stream.seek(place)
        count = struct.unpack(order + ("Q" if is_big else "H"), stream.read(8 if is_big else 2))[0]
        entries = stream.read(size * min(count, _MAX_ENTRIES))
        following = stream.read(struct.calcsize(word))
        whole_entries = entries[: len(entries) // size * size]
        yield Page(stream, order, word, {code: tuple(rest) for code, *rest in struct.iter_unpack(form, whole_entries)})
        place = struct.unpack(word, following)[0] if len(following) == struct.calcsize(word) else 0


def read_tags(path: Path | str) -> dict[int, int | str]:
    """Return first numbers and short texts of the first page, by tag; empty if the file is no TIFF.

    >>> read_tags(__file__)
    {}
    """
    tags: dict[int, int | str] = {}
    try:
        with open(path, "rb") as stream:
            for page in read_pages(stream):
                for tag in page.fields:
                    value = page.first(tag)
                    if value is not None:
                        tags[tag] = value
                break
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
