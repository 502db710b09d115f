"""A note of the reads under way while tiles are judged: it outlives a process that a decoder kills.

The note is a file in memory that the system writes back, even if the process dies without a word. It has a slot for
each thread. A run that ends in good order removes it.
"""

from __future__ import annotations

import contextlib
import json
import mmap
import threading
from collections.abc import Iterator
from pathlib import Path

from underoak.layers.formats.read_watch import report_reads

_SLOTS, _SLOT_BYTES = 256, 1024

Noted = tuple[str, str]  # what is read, and how messages name the layer


@contextlib.contextmanager
def note_reads(path: Path) -> Iterator[None]:
    """Note the reads of all threads of this process during the block; do nothing where the note cannot be made."""
    with contextlib.ExitStack() as stack:
        try:
            path.write_bytes(bytes(_SLOTS * _SLOT_BYTES))
            file = stack.enter_context(open(path, "r+b"))
            memory = stack.enter_context(mmap.mmap(file.fileno(), _SLOTS * _SLOT_BYTES))
        except OSError:
            yield
            return
        slots: dict[int, int] = {}
        lock = threading.Lock()

        def note(what: str, where: str) -> None:
            thread = threading.get_ident()
            if thread not in slots:
                with lock:
                    slots[thread] = len(slots) % _SLOTS * _SLOT_BYTES
            text = json.dumps([what, where]).encode()[: _SLOT_BYTES - 1] if where else b""
            memory[slots[thread] : slots[thread] + len(text) + 1] = text + b"\0"

        stack.callback(path.unlink, missing_ok=True)
        with report_reads(note):
            yield


def take_note(path: Path) -> list[Noted]:
    """Return the reads during which a run in this folder died, and remove its note; none after an end in good order."""
    try:
        content = path.read_bytes()
        path.unlink()
    except OSError:
        return []
    reads = []
    for start in range(0, len(content), _SLOT_BYTES):
        text = content[start : start + _SLOT_BYTES].partition(b"\0")[0]
        with contextlib.suppress(ValueError, TypeError, RecursionError):
            what, where = json.loads(text)
            reads.append((str(what), str(where)))
    return reads
