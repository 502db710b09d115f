"""What many futures have in common at each place, compiled."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from underoak.base.compiled import compiled

Cells = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

HALF = 1e-9  # running weights this near one half are one half: rounding must not choose the median


@compiled
def summarised(values: Cells, weights: Floats, at_least: np.float32, out: Cells) -> None:
    """values (futures, cells), weights that sum to 1 -> out (4, cells): share at or above, least, median, greatest."""
    n = values.shape[0]
    kept, weigh = np.empty(n, np.float32), np.empty(n)
    for cell in range(values.shape[1]):
        share, missing = 0.0, False
        for i in range(n):
            v = values[i, cell]
            missing = missing or v != v
            share += weights[i] if v >= at_least else 0.0
            at = i
            while at > 0 and kept[at - 1] > v:
                kept[at], weigh[at] = kept[at - 1], weigh[at - 1]
                at -= 1
            kept[at], weigh[at] = v, weights[i]
        if missing:
            out[:, cell] = np.float32(np.nan)
            continue
        out[0, cell], out[1, cell], out[3, cell] = np.float32(min(share, 1.0)), kept[0], kept[n - 1]
        running = 0.0
        for i in range(n):
            running += weigh[i]
            if running >= 0.5 - HALF:
                upper = i
                while running <= 0.5 + HALF and upper + 1 < n:
                    upper += 1
                    running += weigh[upper]
                out[2, cell] = np.float32((np.float64(kept[i]) + np.float64(kept[upper])) / 2.0)
                break
