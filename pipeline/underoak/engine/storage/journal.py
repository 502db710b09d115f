"""Journal lines, each a checksum and JSON: a torn or damaged line is always recognised.

>>> line({"tile": 1})
b'92da10bc {"tile":1}\\n'
>>> list(read_lines(line({"tile": 1}) + line({"tile": 2})[:-3]))
[{'tile': 1}, None]
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator, Mapping
from typing import Any


def line(content: Mapping[str, Any]) -> bytes:
    """Return a journal line, with its end of line."""
    text = json.dumps(content, separators=(",", ":"), allow_nan=False).encode("ascii")
    return b"%08x %s\n" % (zlib.crc32(text), text)


def read_lines(journal: bytes) -> Iterator[dict[str, Any] | None]:
    """Yield the content of each line of a journal, in order; None for a torn or damaged line."""
    for raw in journal.splitlines(keepends=True):
        yield _read(raw)


def _read(raw: bytes) -> dict[str, Any] | None:
    checksum, _, text = raw.partition(b" ")
    if not text.endswith(b"\n") or checksum != b"%08x" % zlib.crc32(text[:-1]):
        return None
    content = json.loads(text)
    return content if isinstance(content, dict) else None
