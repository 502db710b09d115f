"""What the system's allocator does with memory that a tile gives back.

Every tile asks for the same few megabytes again. Left alone, the allocator of GNU systems gives them back and fetches
them anew, cleared page by page, and keeps a store of its own for every thread. Other systems are left alone.
"""

from __future__ import annotations

import ctypes
import sys
from typing import Any

_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8  # of mallopt, in malloc.h
_MB = 2**20


def keep() -> None:
    """Keep what is given back for whoever asks next, in one store for all threads."""
    library = _library()
    if library is not None:
        library.mallopt(_ARENA_MAX, 1)
        library.mallopt(_MMAP_THRESHOLD, 32 * _MB)
        library.mallopt(_TRIM_THRESHOLD, 256 * _MB)


def give_back() -> None:
    """Give the system what nobody uses any more."""
    library = _library()
    if library is not None:
        library.malloc_trim(0)


def _library() -> Any:
    if not sys.platform.startswith("linux"):
        return None
    library = ctypes.CDLL(None)
    return library if hasattr(library, "mallopt") and hasattr(library, "malloc_trim") else None
