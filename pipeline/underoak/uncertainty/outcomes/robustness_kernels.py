"""Kernel for the summary of scenarios, cell by cell."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from underoak.base.compiled import compiled

Cells = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

HALF = 1e-9  # running weights this near one half are one half: rounding must not choose the median


@compiled
def summarise(values: Cells, weights: Floats, at_least: np.float32, out: Cells) -> None:
    """Write share at or above, least, median, greatest into `out` (4, cells), of values (scenarios, cells)."""
    n = values.shape[0]
    ordered, ordered_weights = np.empty(n, np.float32), np.empty(n)
    for cell in range(values.shape[1]):
        share, missing = 0.0, False
        for i in range(n):
            v = values[i, cell]
            missing = missing or v != v
            share += weights[i] if v >= at_least else 0.0
            place = i
            while place > 0 and ordered[place - 1] > v:
                ordered[place], ordered_weights[place] = ordered[place - 1], ordered_weights[place - 1]
                place -= 1
            ordered[place], ordered_weights[place] = v, weights[i]
        if missing:
            out[:, cell] = np.float32(np.nan)
            continue
        out[0, cell], out[1, cell], out[3, cell] = np.float32(min(share, 1.0)), ordered[0], ordered[n - 1]
        running = 0.0
        for i in range(n):
            running += ordered_weights[i]
            if running >= 0.5 - HALF:
                upper = i
                while running <= 0.5 + HALF and upper + 1 < n:
                    upper += 1
                    running += ordered_weights[upper]
                out[2, cell] = np.float32((np.float64(ordered[i]) + np.float64(ordered[upper])) / 2.0)
                break
