"""Direct and ranked weights."""

from __future__ import annotations

import math
from collections.abc import Sequence

from underoak.base.errors import Problems

Weights = tuple[float, ...]


def normalise(weights: Sequence[float], names: Sequence[str] = ()) -> Weights:
    """Return weights divided by their sum, unchanged if they sum to 1; `names` are for the message.

    >>> normalise([2, 1, 1])
    (0.5, 0.25, 0.25)

    Raises:
        UnderoakError: E310 a weight that is negative or not a number, E311 no weight above 0.
    """
    problems = Problems()
    for i, weight in enumerate(weights):
        if not (math.isfinite(weight) and weight >= 0.0):
            where = names[i] if i < len(names) else f"weight {i}"
            problems.add("E310", f"a weight cannot be {weight:g}", where, "give a number that is 0 or above")
    if not problems.faults and not any(weights):
        problems.add("E311", "no criterion has a weight above 0", fix="give at least one criterion a weight")
    problems.stop_if_any()
    total = math.fsum(weights)
    return tuple(float(w) if abs(total - 1.0) <= 1e-15 * len(weights) else w / total for w in weights)


def rank_order_centroid(n: int) -> Weights:
    """Return weights of n criteria by rank, the most important first: (1/n) times the sum of 1/k for k from rank to n.

    The mean of all weights that keep the order. Barron and Barrett (1996), from memory.

    >>> [round(w, 4) for w in rank_order_centroid(4)]
    [0.5208, 0.2708, 0.1458, 0.0625]

    Raises:
        ValueError: when n is below 1.
    """
    _check_count(n)
    return tuple(math.fsum(1.0 / k for k in range(rank, n + 1)) / n for rank in range(1, n + 1))


def rank_sum(n: int) -> Weights:
    """Return weights of n ranked criteria in proportion to n, n - 1, ... 1. Stillwell et al. (1981), from memory.

    >>> rank_sum(4)
    (0.4, 0.3, 0.2, 0.1)

    Raises:
        ValueError: when n is below 1.
    """
    _check_count(n)
    return normalise(range(n, 0, -1))


def rank_reciprocal(n: int) -> Weights:
    """Return weights of n ranked criteria in proportion to 1 / rank. Stillwell et al. (1981), from memory.

    >>> [round(w, 2) for w in rank_reciprocal(4)]
    [0.48, 0.24, 0.16, 0.12]

    Raises:
        ValueError: when n is below 1.
    """
    _check_count(n)
    return normalise([1.0 / rank for rank in range(1, n + 1)])


def _check_count(n: int) -> None:
    if n < 1:
        raise ValueError(f"cannot rank {n} criteria")
