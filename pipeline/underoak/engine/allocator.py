"""Settings of the C library's allocator for memory that a tile frees.

Every tile needs the same few megabytes again. By default, the allocator of GNU systems returns them to the system and
requests them again, cleared page by page, and keeps a separate store for each thread. Other systems stay unchanged.
"""

from __future__ import annotations

from underoak.engine import system

_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8  # of mallopt, in malloc.h
_MB = 2**20
_INTERVAL = 32  # tiles


def retain_freed() -> None:
    """Keep freed memory for the next request, in one store for all threads.

    It applies to the whole process: only programs such as the command line call it, never the library.
    """
    library = system.allocator()
    if library is not None:
        library.mallopt(_ARENA_MAX, 1)
        library.mallopt(_MMAP_THRESHOLD, 32 * _MB)
        library.mallopt(_TRIM_THRESHOLD, 256 * _MB)


def release_freed() -> None:
    """Return unused memory to the system; no setting changes."""
    library = system.allocator()
    if library is not None:
        library.malloc_trim(0)


def is_release_due(n_tiles: int) -> bool:
    """Return True if freed memory should be released after so many tiles: it fragments, and the store grows.

    It is due often while the first tiles fill caches, then rarely, because released memory must be requested again.

    >>> [n_tiles for n_tiles in range(1, 100) if is_release_due(n_tiles)]
    [1, 2, 4, 8, 16, 32, 64, 96]
    """
    return n_tiles % _INTERVAL == 0 or (n_tiles < _INTERVAL and n_tiles.bit_count() == 1)
