"""Hazen's plotting positions: what was reached in one of so many years of a record."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]
LEAST_YEARS = {5: 10, 10: 20}  # years that one in 5 and one in 10 take; common practice, no source


def hazen_positions(count: int) -> Doubles:
    """Return the plotting positions of `count` ordered values, (count,): (i - 0.5) / n, lowest first.

    Source: Hazen 1914, from memory.

    >>> hazen_positions(4).tolist()
    [0.125, 0.375, 0.625, 0.875]
    """
    return (np.arange(count) + 0.5) / max(count, 1)


def exceeded_in_one_of(years: int, values: Sequence[float] | Doubles) -> float | None:
    """Return the value reached or exceeded in one of so many years, on straight lines between the positions.

    None where the record is too short: one in 5 takes ten years, one in 10 takes twenty.

    >>> exceeded_in_one_of(5, [40.0] * 8 + [90.0] * 4), exceeded_in_one_of(10, list(range(10)))
    (90.0, None)

    Raises:
        KeyError: for another number of years than 5 and 10.
    """
    ordered = np.sort(np.asarray(values, np.float64))
    if len(ordered) < LEAST_YEARS[years]:
        return None
    return float(np.interp(1.0 - 1.0 / years, hazen_positions(len(ordered)), ordered))
