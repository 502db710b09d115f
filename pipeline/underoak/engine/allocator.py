"""Settings of the C library's allocator for memory that a tile frees.

Every tile asks for the same few megabytes again. By default, the allocator of GNU systems gives them back and fetches
them anew, cleared page by page, and has a store of its own for every thread. Other systems are left alone.
"""

from __future__ import annotations

from underoak.engine import system

_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8  # of mallopt, in malloc.h
_MB = 2**20
_INTERVAL = 32  # tiles


def retain_freed() -> None:
    """Keep freed memory for the next request, in one store for all threads.

    This holds for the process: only programs of our own call it, such as the command line, never the library.
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
    """Return True after some of the tiles: free memory breaks into smaller pieces, and the store grows with them.

    It is due often while the first tiles fill caches, then seldom, as released memory has to be fetched anew.

    >>> [n_tiles for n_tiles in range(1, 100) if is_release_due(n_tiles)]
    [1, 2, 4, 8, 16, 32, 64, 96]
    """
    return n_tiles % _INTERVAL == 0 or (n_tiles < _INTERVAL and n_tiles.bit_count() == 1)
