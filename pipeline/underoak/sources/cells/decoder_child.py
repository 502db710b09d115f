"""The decoding process: it takes TIFFs on stdin and gives their cells on stdout. It trusts no byte of them."""

from __future__ import annotations

import contextlib
import json
import os
import struct
import sys
from typing import BinaryIO

MEMORY_BYTES = 3 * 2**30
CPU_SECONDS = 600


def serve() -> None:
    """Decode one TIFF after another, until stdin ends."""
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # what libraries print must not mix with answers
    _limit()
    from underoak.layers.formats.raster_bytes import decode

    while True:
        sizes = sys.stdin.buffer.read(12)
        if len(sizes) < 12:
            return
        size, band = struct.unpack("<QI", sizes)
        data = sys.stdin.buffer.read(size)
        try:
            cells = decode(data, band)
        except Exception as error:
            _answer(answers, {"error": f"{type(error).__name__}: {error}"[:500]}, b"")
            continue
        cells = cells.astype(cells.dtype.newbyteorder("<"))
        _answer(answers, {"dtype": str(cells.dtype.name), "shape": cells.shape}, cells.tobytes())


def _answer(answers: BinaryIO, header: dict[str, object], body: bytes) -> None:
    text = json.dumps(header).encode()
    answers.write(struct.pack("<IQ", len(text), len(body)) + text + body)
    answers.flush()


def _limit() -> None:
    """Limit memory and processor time, where the system can; the parent's time limit holds everywhere."""
    with contextlib.suppress(ImportError, ValueError, OSError):
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
        resource.setrlimit(resource.RLIMIT_CPU, (CPU_SECONDS, CPU_SECONDS))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
