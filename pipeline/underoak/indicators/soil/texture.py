"""The twelve texture classes of fine earth, from its sand, silt and clay.

Limits between sand, silt and clay are those of the USDA (sand above 50 um, clay below 2 um): fractions by the European
63 um limit between silt and sand give other classes.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.errors import Fault, UnderoakError, did_you_mean

TEXTURES = (
    "sand", "loamy sand", "sandy loam", "loam", "silt loam", "silt", "sandy clay loam", "clay loam", "silty clay loam",
    "sandy clay", "silty clay", "clay",
)  # fmt: skip

_WHOLE = 1_000_000  # fractions are compared in ten-thousandths of a per cent, so that an edge is an edge
_Parts = npt.NDArray[np.int64]


class Fractions(NamedTuple):
    """A set of fractions of fine earth [percent] that sum to 100, and how many cells were too far from it."""

    sand: FloatArray
    silt: FloatArray
    clay: FloatArray
    off: int


def texture_fractions(sand: Any, silt: Any, clay: Any, tolerance: float = 5.0) -> Fractions:
    """Return sand, silt and clay [percent], arrays of one shape, scaled to sum to 100.

    Mapped fractions rarely do, since each is predicted by itself. They are scaled where their sum is within `tolerance`
    [percent] of 100; elsewhere, or where one is negative, they are missing, and those cells are counted in `off`.
    Source: common practice, no source.

    >>> result = texture_fractions(48.0, 30.0, 20.0)
    >>> round(float(result.sand), 4), texture_fractions([48.0, 90.0], [30.0, 30.0], [20.0, 20.0]).off
    (48.9796, 1)

    Raises:
        ValueError: when the shapes differ.
    """
    parts = [np.asarray(part, np.float64) for part in (sand, silt, clay)]
    if len({part.shape for part in parts}) > 1:
        raise ValueError(f"sand, silt and clay differ in shape: {', '.join(str(part.shape) for part in parts)}")
    total = parts[0] + parts[1] + parts[2]
    is_off = sums_off(parts[0], parts[1], parts[2], tolerance)
    fits = ~np.isnan(total) & ~is_off
    scale = 100.0 / np.where(fits, total, np.nan)
    a, b, c = (np.asarray(part * scale, np.float32) for part in parts)
    return Fractions(a, b, c, int(np.count_nonzero(is_off)))


def sums_off(sand: Any, silt: Any, clay: Any, tolerance: float = 5.0) -> npt.NDArray[np.bool_]:
    """Return where fractions [percent] do not add up to 100 within `tolerance`, or one is negative; not where missing.

    >>> sums_off([48.0, 90.0, 50.0], [30.0, 30.0, -2.0], [20.0, 20.0, 52.0]).tolist()
    [False, True, True]
    """
    parts = [np.asarray(part, np.float64) for part in (sand, silt, clay)]
    total = parts[0] + parts[1] + parts[2]
    is_off = np.abs(total - 100.0) > tolerance
    for part in parts:
        is_off |= part < 0.0
    return np.asarray(is_off & ~np.isnan(total))


def texture_class(sand: Any, silt: Any, clay: Any, tolerance: float = 5.0) -> FloatArray:
    """Return code 1 to 12 of the texture class, in the order of `TEXTURES`, arrays of one shape.

    `sand`, `silt`, `clay` [percent], made to sum to 100 as in `texture_fractions`. Source: USDA Soil Survey Manual,
    from memory; the limits of Benham, Ahrens and Nettleton, whose abstract was read, leave no gap and no overlap.

    >>> [TEXTURES[int(code) - 1] for code in texture_class([92, 40, 20], [5, 40, 40], [3, 20, 40])]
    ['sand', 'loam', 'silty clay']

    Raises:
        ValueError: when the shapes differ.
    """
    fractions = texture_fractions(sand, silt, clay, tolerance)
    is_valid = ~np.isnan(fractions.sand)
    a, c = (
        np.rint(np.where(is_valid, part, 0.0) * np.float64(_WHOLE / 100)).astype(np.int64)
        for part in (fractions.sand, fractions.clay)
    )
    return np.where(is_valid, _code(a, _WHOLE - a - c, c), np.nan).astype(np.float32)


def texture_codes(given: Mapping[str, float]) -> dict[int, float]:
    """Return a table by code from one by name, for a response curve over `texture_class`.

    >>> texture_codes({"loam": 1.0, "sandy loam": 0.8})
    {4: 1.0, 3: 0.8}

    Raises:
        UnderoakError: E345 for names that are no texture class, all at once.
    """
    known = ", ".join(TEXTURES)
    faults = [
        Fault("E345", f'"{name}" is no texture class', fix=did_you_mean(name, TEXTURES, f"known: {known}"))
        for name in given
        if name not in TEXTURES
    ]
    if faults:
        raise UnderoakError(*faults)
    return {TEXTURES.index(name) + 1: value for name, value in given.items()}


def _code(sand: _Parts, silt: _Parts, clay: _Parts) -> _Parts:
    """Return the codes of fractions that sum to `_WHOLE`."""
    p = _WHOLE // 100
    light, heavy = clay < 7 * p, clay >= 40 * p
    conditions = (
        2 * silt + 3 * clay < 30 * p,
        silt + 2 * clay < 30 * p,
        ((clay < 20 * p) & (sand > 52 * p)) | (light & (silt < 50 * p)),
        (clay < 27 * p) & (silt >= 28 * p) & (silt < 50 * p) & (sand <= 52 * p),
        (clay < 27 * p) & (silt >= 50 * p) & ((clay >= 12 * p) | (silt < 80 * p)),
        (clay < 12 * p) & (silt >= 80 * p),
        (clay >= 20 * p) & (clay < 35 * p) & (silt < 28 * p) & (sand > 45 * p),
        ~heavy & (sand > 20 * p) & (sand <= 45 * p),
        ~heavy & (sand <= 20 * p),
        sand > 45 * p,
        silt >= 40 * p,
    )
    return np.select(conditions, range(1, 12), default=12)
