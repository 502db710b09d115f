"""Decorators that compile kernels: the one door to numba.

Kernels are compiled when they are first called, let other threads run meanwhile, and keep the order of sums. Their code
stays on disk (`base.compilation.kernel_cache`).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba
from numba.core.options import DefaultOptions

from underoak.base.compilation.kernel_cache import KernelCache, has_cache

F = TypeVar("F", bound=Callable[..., Any])

# an option that numba does not document: without it all is slower and nothing else
_UNCOUNTED: dict[str, Any] = {"_nrt": False} if hasattr(DefaultOptions, "_nrt") else {}


def compiled(function: F) -> F:
    """Compile a kernel; x / 0 gives infinity or NaN, as in numpy."""
    return _with_cache(function, error_model="numpy")


def compiled_no_refcount(function: F) -> F:
    """Compile a kernel as `compiled` does, without counting references to the arrays that it is lent.

    Only for kernels that make no array and call none that do. Counting is atomic, and every slice counts: in loops over
    short stretches it took a fifth of the time.
    """
    return _with_cache(function, error_model="numpy", **_UNCOUNTED)


def compiled_checked(function: F) -> F:
    """Compile a kernel in which x / 0 raises ZeroDivisionError; loops with divisions take one cell at a time."""
    return _with_cache(function)


def is_on_disk(kernel: Callable[..., Any]) -> bool:
    """Return True if code of a kernel is on disk for the present sources, or numba is switched off."""
    cache = getattr(kernel, "_cache", None)
    return cache.exists() if isinstance(cache, KernelCache) else True


def _with_cache(function: F, **options: Any) -> F:
    dispatcher = numba.njit(nogil=True, **options)(function)
    if hasattr(dispatcher, "_cache") and has_cache(function):
        dispatcher._cache = KernelCache(function)  # not `cache=True`: see the class
    return cast(F, dispatcher)
