"""The one door to the compiler of kernels."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba
from numba.core.options import DefaultOptions

F = TypeVar("F", bound=Callable[..., Any])

# an option that numba does not document: should it go, all is slower and nothing else
_UNCOUNTED: dict[str, Any] = {"_nrt": False} if hasattr(DefaultOptions, "_nrt") else {}


def compiled(function: F) -> F:
    """Compile on first use, keep the code on disk, let other threads run meanwhile; no reordering of sums."""
    return cast(F, numba.njit(cache=True, nogil=True, error_model="numpy")(function))


def compiled_no_refcount(function: F) -> F:
    """`compiled`, for what neither makes an array nor calls what does: references to arrays it is lent go uncounted.

    Counting is atomic, and every slice counts: in loops over short stretches it took a fifth of the time.
    """
    return cast(F, numba.njit(cache=True, nogil=True, error_model="numpy", **_UNCOUNTED)(function))
