"""Combination of memberships into one suitability: linear, geometric, minimum or ordered."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Problems, UnderoakError, did_you_mean
from underoak.overlay.classes import CUTS, Cap, Cuts, check_classes, check_essential
from underoak.overlay.kernel_rules import KernelRules
from underoak.overlay.weights import Weights, normalise

Rule = Literal["linear", "geometric", "minimum", "ordered"]
Missing = Literal["stop", "renormalise"]
RULES: tuple[Rule, ...] = (
    "linear",
    "geometric",
    "minimum",
    "ordered",
)  # as `KernelRules.rule` counts


def combine(
    memberships: npt.ArrayLike,
    weights: Sequence[float],
    rule: Rule = "linear",
    order_weights: Sequence[float] | None = None,
    alpha: float | None = None,
    missing: Missing = "stop",
) -> npt.NDArray[np.float64]:
    """Return suitability 0..1 of memberships 0..1; axis 0 is the criterion, the result has the shape of the rest.

    linear: sum of w m. geometric: product of m**w; a zero makes it zero. minimum: the lowest m with a weight.
    ordered by `order_weights`, from the best membership down: Yager (1988), from memory; the criteria's own weights
    must then be equal. ordered by `alpha`: the same with importance: a rank weighs Q(S) - Q(S of the rank above),
    S being the running weight from the best down and Q(r) = r**alpha (Yager 1996, from memory); below 1 tolerant,
    1 equal to linear, above 1 cautious.

    NaN is missing. `missing="stop"`: missing in a criterion with a weight is missing in the result. "renormalise": the
    weights present are divided by their sum (order weights are read off their running sum, straight lines between), and
    only a cell with none is missing. A criterion of weight 0 has no effect. Memberships below 2**-1022 count as 0.

    >>> float(combine([0.9, 0.6, 0.3, 0.8], [0.4, 0.3, 0.2, 0.1]).round(12))
    0.68
    >>> float(combine([0.9, 0.6, 0.3, 0.8], [0.4, 0.3, 0.2, 0.1], "ordered", alpha=2).round(12))
    0.558
    >>> combine([[1.0, 0.9], [0.5, np.nan]], [1, 1], missing="renormalise")
    array([0.75, 0.9 ])

    Raises:
        UnderoakError: E310, E311 weights that cannot be; E316 a rule and settings that do not go together.
        ValueError: when there is not one weight for each criterion.
    """
    values, shape = criteria_by_cell(memberships, len(weights))
    out = np.empty(values.shape[1])
    rules = kernel_rules(weights, rule, order_weights, alpha, missing, limits=False)
    from underoak.overlay import combine_kernels

    combine_kernels.combine(values, rules, out)
    return out.reshape(shape)[()]


def orness(order_weights: Sequence[float]) -> float:
    """Return the orness of order weights: 1 takes the best, 0 the worst, 0.5 the mean. Yager (1988), from memory.

    >>> round(orness([0.4, 0.3, 0.2, 0.1]), 4)
    0.6667

    Raises:
        UnderoakError: E310, E311 as for weights.
    """
    v = normalise(order_weights)
    n = len(v)
    return math.fsum((n - 1 - i) * w for i, w in enumerate(v)) / (n - 1) if n > 1 else 0.5


def dispersion(order_weights: Sequence[float]) -> float:
    """Return the dispersion of order weights: 0 for one alone, ln n for all alike. Yager (1988), from memory.

    >>> round(dispersion([0.4, 0.3, 0.2, 0.1]), 6)
    1.279854

    Raises:
        UnderoakError: E310, E311 as for weights.
    """
    return -math.fsum(w * math.log(w) for w in normalise(order_weights) if w > 0.0)


def check_combination(
    weights: Sequence[float],
    rule: str,
    order_weights: Sequence[float] | None = None,
    alpha: float | None = None,
    missing: str = "stop",
) -> tuple[Weights, Weights | None]:
    """Return the weights and the order weights, each summing to 1, if the settings go together.

    Raises:
        UnderoakError: E310, E311, E316, all of them at once.
    """
    problems = Problems()
    normal, order = _normal(weights, problems), None
    where = "combine"
    if rule not in RULES:
        fix = did_you_mean(rule, RULES, f"write one of {', '.join(RULES)}")
        problems.add("E316", f'"{rule}" is not a rule', where, fix)
    if missing not in ("stop", "renormalise"):
        problems.add("E316", f'missing cannot be "{missing}"', where, "write stop or renormalise")
    if rule == "ordered" and (order_weights is None) == (alpha is None):
        problems.add("E316", "the rule ordered takes either order_weights or alpha", where, "give one of the two")
    elif rule in RULES and rule != "ordered" and not (order_weights is None and alpha is None):
        what = f"order_weights and alpha have no effect under the rule {rule}"
        problems.add("E316", what, where, "leave them out, or write rule: ordered")
    if alpha is not None and not 0.0 < alpha < math.inf:
        problems.add("E316", f"alpha cannot be {alpha:g}", where, "give a number above 0; 1 is the linear rule")
    if order_weights is not None:
        order = _normal(order_weights, problems)
        if len(order_weights) != len(weights):
            what = f"{len(order_weights)} order_weights for {len(weights)} criteria"
            problems.add("E316", what, where, "give one for each rank, from the best membership down")
        if normal and max(normal) - min(normal) > 1e-9:
            fix = "make the weights equal, or use alpha, which minds them"
            problems.add("E316", "order_weights need criteria of equal weight", where, fix)
    problems.stop_if_any()
    return normal, order


def _normal(weights: Sequence[float], problems: Problems) -> Weights:
    try:
        return normalise(weights)
    except UnderoakError as error:
        problems.add_error(error)
        return ()


def criteria_by_cell(memberships: npt.ArrayLike, count: int) -> tuple[npt.NDArray[np.floating[Any]], tuple[int, ...]]:
    """Return memberships as (criteria, cells), and the shape of the cells.

    Raises:
        ValueError: when there are not `count` criteria.
    """
    values = np.asarray(memberships)
    values = np.asarray(values, None if values.dtype in (np.float32, np.float64) else np.float64, order="C")
    if values.ndim == 0 or len(values) != count or count == 0:
        raise ValueError(f"memberships are {values.shape}, but there are {count} weights")
    return values.reshape(count, -1), values.shape[1:]


def kernel_rules(
    weights: Sequence[float],
    rule: Rule,
    order_weights: Sequence[float] | None = None,
    alpha: float | None = None,
    missing: Missing = "stop",
    cuts: Cuts = CUTS,
    cap: Cap = "weakest",
    limits: bool = True,
    essential: Sequence[int] = (),
) -> KernelRules:
    """Return checked settings as the kernels take them.

    Raises:
        UnderoakError: E310, E311, E316, E318.
        ValueError: when `essential` names a criterion that is not there.
    """
    normal, order = check_combination(weights, rule, order_weights, alpha, missing)
    s1, s2, s3 = check_classes(cuts, cap)
    w = np.array(normal)
    criteria = np.flatnonzero(w > 0.0)
    running = np.empty(0) if order is None else np.concatenate(([0.0], np.cumsum(order)))
    return KernelRules(
        criteria,
        w[criteria],
        RULES.index(rule),
        1.0 if alpha is None else float(alpha),
        running,
        missing == "renormalise",
        limits,
        np.float32(s1),
        np.float32(s2),
        np.float32(s3),
        cap == "weakest",
        np.array(check_essential(essential, len(normal)), np.int64),
    )
