"""Limiting factors: the weakest criteria, those with most to gain, and those that hold the class down."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from underoak.overlay.classes import classify
from underoak.overlay.combine import Missing, Rule, criteria_by_cell, kernel_rules

if TYPE_CHECKING:
    from underoak.overlay.judge import Rules


def holding(suitability: npt.ArrayLike, memberships: npt.ArrayLike, rules: Rules) -> npt.NDArray[np.bool_]:
    """Return True for the criteria that hold the class of a site below that of its score, (criteria, ...).

    memberships (criteria, ...), suitability of the shape of the rest; NaN is not known, and holds nothing. A criterion
    holds a class when it alone would: an essential one at its own class, under the cap one with a weight at one above
    it. False for all criteria where the class is that of the score.

    >>> from underoak.overlay.judge import Rules
    >>> holding([0.8, 0.8], [[0.9, 0.9], [0.3, 0.6]], Rules((5, 1))).T.tolist()
    [[False, True], [False, False]]
    >>> holding([0.8], [[0.9], [0.6]], Rules((5, 1), cap="none", essential=(1,))).T.tolist()
    [[False, True]]

    Raises:
        ValueError: when shapes do not fit.
    """
    values, shape = criteria_by_cell(memberships, len(rules.weights))
    scores = np.asarray(suitability)
    if scores.shape != shape:
        raise ValueError(f"suitability is {scores.shape}, the memberships are those of {shape}")
    free = classify(scores.reshape(-1), cuts=rules.cuts).astype(np.int64)
    alone = classify(values, cuts=rules.cuts).astype(np.int64)
    limits = np.zeros(values.shape, np.int64)
    if rules.cap == "weakest":
        weighing = np.array(rules.weights) > 0.0
        limits[weighing] = alone[weighing] - 1
    essential = list(rules.essential)
    limits[essential] = alone[essential]
    limits[np.isnan(values)] = 0
    most = limits.max(axis=0)
    return np.asarray(((limits == most) & (most > free)).reshape(values.shape[0], *shape))


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
