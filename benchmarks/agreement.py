"""How far two rasters of suitability agree, read strip by strip."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import rasterio

_BINS = 1_000_000  # quantiles of the difference are exact to one bin of 1e-6


def agreement(one: Path, other: Path) -> dict[str, float | int]:
    """Quantiles of the absolute difference on cells both judge, and how many cells only one of them judges."""
    counts = np.zeros(_BINS + 1, np.int64)
    most, far, only_one, only_other = 0.0, 0, 0, 0
    with rasterio.open(one) as first, rasterio.open(other) as second:
        if first.shape != second.shape or first.transform != second.transform:
            raise SystemExit(f"{one} and {other} lie on other grids")
        for row in range(0, first.height, 512):
            window = ((row, min(row + 512, first.height)), (0, first.width))
            a, b = first.read(1, window=window), second.read(1, window=window)
            has_a, has_b = ~np.isnan(a), ~np.isnan(b)
            only_one += int(np.count_nonzero(has_a & ~has_b))
            only_other += int(np.count_nonzero(has_b & ~has_a))
            both = has_a & has_b
            apart = np.abs(a[both].astype(np.float64) - b[both])
            if apart.size:
                most = max(most, float(apart.max()))
                far += int(np.count_nonzero(apart > 0.05))
                counts += np.bincount((apart * _BINS).astype(np.int64), minlength=_BINS + 1)
    both_judged = int(counts.sum())
    if not both_judged:
        raise SystemExit(f"{one} and {other} judge no cell in common")
    below = np.cumsum(counts)
    median, p99 = (float(np.searchsorted(below, q * both_judged) / _BINS) for q in (0.5, 0.99))
    return {
        "median": median,
        "p99": p99,
        "max": round(most, 6),
        "share_above_0.05": far / both_judged,
        "both_judged": both_judged,
        "only_this": only_one,
        "only_other": only_other,
    }
