"""The overlay written out slowly, by definition, as an oracle for the compiled one."""

from __future__ import annotations

import math
from collections.abc import Sequence

TIE = 1e-6


def score(
    m: Sequence[float],
    w: Sequence[float],
    rule: str,
    order: Sequence[float] | None = None,
    alpha: float | None = None,
    missing: str = "stop",
) -> float:
    """Suitability of one cell; NaN where missing."""
    counts = [(x, v) for x, v in zip(m, w, strict=True) if v > 0.0]
    present = [(x, v) for x, v in counts if not math.isnan(x)]
    if not present or (missing == "stop" and len(present) < len(counts)):
        return math.nan
    whole = sum(v for _, v in present)
    if rule == "linear":
        return sum(x * v for x, v in present) / whole
    if rule == "geometric":
        return math.prod(x ** (v / whole) for x, v in present)
    if rule == "minimum":
        return min(x for x, _ in present)
    running, result = 0.0, 0.0
    for x, v in sorted(present, key=lambda pair: -pair[0]):
        result += x * (share(min((running + v) / whole, 1.0), order, alpha) - share(running / whole, order, alpha))
        running += v
    return result


def share(r: float, order: Sequence[float] | None, alpha: float | None) -> float:
    """What the best `r` of the weight counts for."""
    if order is None:
        assert alpha is not None
        return r**alpha
    whole, at = sum(order), r * len(order)
    return sum(v * min(max(at - k, 0.0), 1.0) for k, v in enumerate(order)) / whole


def gains(m: Sequence[float], w: Sequence[float], *settings: object) -> dict[int, float]:
    """What each criterion that counts and is there would add, alone at 1."""
    now = score(m, w, *settings)  # type: ignore[arg-type]
    raised = {k: [1.0 if i == k else x for i, x in enumerate(m)] for k in range(len(m)) if w[k] > 0 and m[k] == m[k]}
    return {k: score(better, w, *settings) - now for k, better in raised.items()}  # type: ignore[arg-type]


def weakest(m: Sequence[float], w: Sequence[float]) -> tuple[int, ...]:
    """All ties of the lowest membership; empty where all are 1."""
    there = {k: x for k, x in enumerate(m) if w[k] > 0 and x == x}
    least = min(there.values())
    return () if least >= 1.0 - TIE else tuple(k for k, x in there.items() if x <= least + TIE)


def most_gainful(m: Sequence[float], w: Sequence[float], *settings: object) -> tuple[int, ...]:
    """All ties of the greatest gain; the weakest where none is above the tie."""
    low = weakest(m, w)
    gain = gains(m, w, *settings)
    best = max(gain.values())
    return tuple(k for k, g in gain.items() if g >= best - TIE) if low and best > TIE else low
