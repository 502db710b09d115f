"""Cell states, and compiled loops that set and count them.

All arrays are flat and of one length. A state is FREE, EXCLUDED, MISSING or OUTSIDE. Cells outside the region's outline
are missing and not counted.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from underoak.base.arrays import FloatArray
from underoak.base.compiled import compiled
from underoak.plan.keys.constraints import Comparison

FREE, EXCLUDED, MISSING, OUTSIDE = 0, 1, 2, 3

Bytes = npt.NDArray[np.uint8]
Flags = npt.NDArray[np.bool_]
Counts = npt.NDArray[np.int64]


@compiled
def count_missing(values: FloatArray, state: Bytes) -> int:
    """Return the number of cells inside the region without a value."""
    count = 0
    for i in range(values.size):
        count += int((state[i] != OUTSIDE) & (values[i] != values[i]))
    return count


@compiled
def exclude(holds: Flags, state: Bytes) -> int:
    """Mark the cells inside the region where a constraint holds, in `state`. Return their number."""
    count = 0
    for i in range(holds.size):
        is_excluded = holds[i] & (state[i] != OUTSIDE)
        state[i] = np.uint8(EXCLUDED) if is_excluded else state[i]
        count += int(is_excluded)
    return count


@compiled
def mark_missing(values: FloatArray, state: Bytes) -> None:
    """Mark free cells as missing, in `state`, where a constraint's layer is missing; others may still exclude them."""
    for i in range(values.size):
        is_unknown = (state[i] == FREE) & (values[i] != values[i])
        state[i] = np.uint8(MISSING) if is_unknown else state[i]


@compiled
def count_codes(classes: Bytes, weakest: Bytes, state: Bytes, of_class: Counts, of_weakest: Counts) -> None:
    """Count cells inside the region by code, in `of_class` and `of_weakest`, (4, 256), to be summed over rows.

    Neighbouring cells go to different rows, so that no addition waits for the one before it.
    """
    for i in range(classes.size):
        n_inside = np.int64(state[i] != OUTSIDE)
        of_class[i & 3, classes[i]] += n_inside
        of_weakest[i & 3, weakest[i]] += n_inside


@compiled
def constant_value(values: FloatArray, suitability: FloatArray) -> tuple[float, int]:
    """Return the value of the first judged cell, and 0 without one, 1 if all have it, 2 if one differs."""
    first = np.float32(0.0)
    state = 0
    for i in range(values.size):
        if suitability[i] != suitability[i] or values[i] != values[i]:
            continue
        if state == 0:
            first = values[i]
            state = 1
        elif values[i] != first:
            return float(first), 2  # in most blocks within a few cells
    return float(first), state


@compiled
def _within(values: FloatArray, low: np.float32, high: np.float32, holds: Flags) -> None:
    for i in range(values.size):
        holds[i] |= (values[i] >= low) & (values[i] <= high)


@compiled
def _not(values: FloatArray, holds: Flags) -> None:
    for i in range(values.size):
        holds[i] = (not holds[i]) & (values[i] == values[i])


def compare(comparison: Comparison, values: FloatArray) -> Flags:
    """Return True where a comparison holds, False where the value is missing; of the shape of `values`.

    Numbers are compared as float32, so that a stored 7.1 meets a limit of 7.1.

    >>> compare(Comparison.parse("> 7.1"), np.float32([7.0, 7.1, 7.2, np.nan])).tolist()
    [False, False, True, False]
    >>> compare(Comparison.parse("!= 7.1"), np.float32([7.0, 7.1, np.nan])).tolist()
    [True, False, False]
    """
    flat = np.ascontiguousarray(values).reshape(-1)
    holds = np.zeros(flat.size, np.bool_)
    for low, high in _intervals(comparison):
        _within(flat, low, high, holds)
    if comparison.sign == "!=":
        _not(flat, holds)
    return holds.reshape(values.shape)


def _intervals(comparison: Comparison) -> list[tuple[np.float32, np.float32]]:
    """Return the ranges (lowest, highest) of values for which it holds; for `!=`, those for which it does not."""
    if comparison.sign == "in":
        return [(np.float32(code), np.float32(code)) for code in comparison.codes]
    with np.errstate(over="ignore"):
        limit = np.float32(comparison.value)
    least, most = np.float32(-math.inf), np.float32(math.inf)
    match comparison.sign:
        case "<":
            return [(least, np.nextafter(limit, least))]
        case "<=":
            return [(least, limit)]
        case ">":
            return [(np.nextafter(limit, most), most)]
        case ">=":
            return [(limit, most)]
        case _:
            return [(limit, limit)]
