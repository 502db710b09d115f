"""Limiting factors: the weakest criteria, and those with most to gain."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from underoak.overlay.combine import Missing, Rule, criteria_by_cell, kernel_rules


def weakest(memberships: npt.ArrayLike, weights: Sequence[float], missing: Missing = "stop") -> tuple[int, ...] | None:
    """Return the criteria of lowest membership, ties within 1e-6 included, in plan order (law of the minimum).

    Empty where every membership is 1: nothing limits. None where the site is not judged, because a criterion with a
    weight is missing (under "renormalise": all of them). A criterion of weight 0 never limits.

    >>> weakest([0.9, 0.3, 0.3], [1, 1, 1]), weakest([0.9, 0.3, 0.3], [1, 0, 1]), weakest([1.0, 1.0], [1, 1])
    ((1, 2), (2,), ())

    Raises:
        UnderoakError: E310, E311 weights that cannot be.
        ValueError: when there is not one weight for each criterion.
    """
    limits = _limits(memberships, weights, "minimum", None, None, missing)
    return None if limits is None else limits[0]


def most_gainful(
    memberships: npt.ArrayLike,
    weights: Sequence[float],
    rule: Rule = "linear",
    order_weights: Sequence[float] | None = None,
    alpha: float | None = None,
    missing: Missing = "stop",
) -> tuple[int, ...] | None:
    """Return the criteria that, alone at 1, would raise suitability most; ties, empty, None as in `weakest`.

    Where no criterion alone would add more than 1e-6 (two zeros under the geometric rule, two equal lowest under the
    minimum) the answer is the weakest: they are the first to improve, though one of them is not enough. So under the
    minimum the two answers are always the same.

    >>> most_gainful([0.2, 0.5], [0.1, 0.9]), most_gainful([0.0, 0.0, 0.5], [1, 1, 1], "geometric")
    ((1,), (0, 1))

    Raises:
        UnderoakError: E310, E311, E316 as in `combine`.
        ValueError: when there is not one weight for each criterion.
    """
    limits = _limits(memberships, weights, rule, order_weights, alpha, missing)
    return None if limits is None else limits[1] or limits[0]


def _limits(
    memberships: npt.ArrayLike,
    weights: Sequence[float],
    rule: Rule,
    order_weights: Sequence[float] | None,
    alpha: float | None,
    missing: Missing,
) -> tuple[tuple[int, ...], tuple[int, ...]] | None:
    values, shape = criteria_by_cell(memberships, len(weights))
    if shape:
        raise ValueError(f"one membership for each criterion is needed, not {(len(weights), *shape)}")
    rules = kernel_rules(weights, rule, order_weights, alpha, missing)
    weak, gain = np.zeros(rules.criteria.size, np.bool_), np.zeros(rules.criteria.size, np.bool_)
    from underoak.overlay import combine_kernels

    if not combine_kernels.limits_of_cell(values, rules, weak, gain):
        return None
    return tuple(rules.criteria[weak].tolist()), tuple(rules.criteria[gain].tolist())
