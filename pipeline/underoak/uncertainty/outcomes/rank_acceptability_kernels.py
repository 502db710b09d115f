"""Kernels that count ranks over draws; sums run in a fixed order, so that chunks and threads change nothing."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base.compiled import compiled_no_refcount

Floats = npt.NDArray[np.float64]
Values = npt.NDArray[np.floating[Any]]
Places = npt.NDArray[np.int64]


@compiled_no_refcount
def weighted(memberships: Values, weights: Floats, scale: Floats, out: Floats) -> None:
    """Write weighted sums of (parcels, criteria), times the scale of each parcel."""
    for p in range(out.size):
        total = 0.0
        for k in range(weights.size):
            total += weights[k] * np.float64(memberships[p, k])
        out[p] = total * scale[p]


@compiled_no_refcount
def averaged(scores: Floats, stands_for: Floats, offsets: Places, scale: Floats, out: Floats) -> None:
    """Write weighted means over the cells of each parcel that have a score, times its scale; NaN where none has."""
    for p in range(out.size):
        total, total_weight = 0.0, 0.0
        for i in range(offsets[p], offsets[p + 1]):
            if scores[i] == scores[i]:
                total += stands_for[i] * scores[i]
                total_weight += stands_for[i]
        out[p] = total / total_weight * scale[p] if total_weight > 0.0 else np.nan


@compiled_no_refcount
def count(
    values: Floats,
    rising: Places,
    weights: Floats,
    tie: float,
    steps: Floats,
    ranks: Floats,
    first: Floats,
    central: Floats,
) -> None:
    """Add one draw: parcels in a tie of t share its ranks, 1/t each, and its mean rank.

    steps (parcels, ranks + 1): what is added from a rank on, so that a tie costs no more than a single rank. ranks:
    sums of ranks. first: shares of the first rank; central (parcels, criteria): the weights, times these.
    """
    n = values.size
    n_ranks = steps.shape[1] - 1
    start = 0
    while start < n:
        end, top = start + 1, values[rising[n - 1 - start]]
        while end < n and top - values[rising[n - 1 - end]] <= tie:
            end += 1
        share = 1.0 / (end - start)
        for at in range(start, end):
            p = rising[n - 1 - at]
            ranks[p] += 0.5 * (start + 1 + end)
            if start < n_ranks:
                steps[p, start] += share
                steps[p, min(end, n_ranks)] -= share
            if start == 0:
                first[p] += share
                for k in range(weights.size):
                    central[p, k] += share * weights[k]
        start = end


@compiled_no_refcount
def share_of_first(values: Floats, parcel: int, tie: float) -> float:
    """Return 1/t if the parcel is among the t that tie for the first rank, else 0."""
    top = values[parcel]
    for p in range(values.size):
        top = max(top, values[p])
    if top - values[parcel] > tie:
        return 0.0
    among = 0
    for p in range(values.size):
        among += int(top - values[p] <= tie)
    return 1.0 / among


@compiled_no_refcount
def compare(values: Floats, tie: float, wins: Floats) -> None:
    """Add one draw to (parcels, parcels): 1 where the row's parcel is better, one half where the two tie."""
    for i in range(values.size):
        for j in range(values.size):
            gap = values[i] - values[j]
            wins[i, j] += 1.0 if gap > tie else (0.5 if gap >= -tie else 0.0)
