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
_EVERY = 32  # tiles


def retain_freed() -> None:
    """Keep what is given back for whoever asks next, in one store for all threads."""
    library = _library()
    if library is not None:
        library.mallopt(_ARENA_MAX, 1)
        library.mallopt(_MMAP_THRESHOLD, 32 * _MB)
        library.mallopt(_TRIM_THRESHOLD, 256 * _MB)


def release_freed() -> None:
    """Give the system what nobody uses any more."""
    library = _library()
    if library is not None:
        library.malloc_trim(0)


def is_time_to_give_back(done: int) -> bool:
    """True after some of the tiles: what is free lies in ever more and smaller pieces, and the store grows with them.

    Often while the first tiles fill caches, then seldom, as what is given back has to be fetched anew.

    >>> [done for done in range(1, 100) if is_time_to_give_back(done)]
    [1, 2, 4, 8, 16, 32, 64, 96]
    """
    return done % _EVERY == 0 or (done < _EVERY and done.bit_count() == 1)


def _library() -> Any:
    if not sys.platform.startswith("linux"):
        return None
    library = ctypes.CDLL(None)
    return library if hasattr(library, "mallopt") and hasattr(library, "malloc_trim") else None
