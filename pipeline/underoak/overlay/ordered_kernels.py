"""Kernels for the ordered rule: memberships are sorted, and their rank counts, too."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base.compiled import compiled, compiled_no_refcount
from underoak.base.exp_log import exp2, log2
from underoak.overlay.kernel_rules import ORDERED, Floats, KernelRules

Values = npt.NDArray[np.floating[Any]]


class Ranks(NamedTuple):
    """A set of working rows of the ordered rule, (criteria, cells) but for the last; empty for other rules."""

    x: Floats  # memberships in their order
    w: Floats  # their weights
    head: Floats  # the sum up to each
    place: npt.NDArray[np.int64]  # which criterion each is
    rows: Floats  # (5, cells)


@compiled
def ranks_of(rules: KernelRules, cells: int) -> Ranks:
    """Return working rows for stretches of `cells` cells."""
    n = rules.criteria.size if rules.rule == ORDERED else 0
    x, w, head = np.empty((n, cells)), np.empty((n, cells)), np.empty((n, cells))
    return Ranks(x, w, head, np.empty((n, cells), np.int64), np.empty((5, cells)))


@compiled_no_refcount
def _share(run: Floats, have: Floats, rules: KernelRules, share: Floats) -> None:
    """Return what the best `run` of the weight counts for: r**alpha, or order weights with straight lines between."""
    alpha, order = rules.alpha, rules.order
    for i in range(run.size):
        r = run[i] / have[i]
        r = r if r < 1.0 else 1.0
        if order.size:
            position = r * (order.size - 1)
            j = min(int(position), order.size - 2)
            share[i] = order[j] + (position - j) * (order[j + 1] - order[j])
        elif alpha == 1.0:
            share[i] = r
        elif alpha == 2.0:
            share[i] = r * r
        else:
            share[i] = exp2(alpha * log2(r)) if r > 0.0 else 0.0


@compiled_no_refcount
def _add_share(
    weight: Floats,
    x: Floats,
    have: Floats,
    rules: KernelRules,
    run: Floats,
    before: Floats,
    share: Floats,
    total: Floats,
) -> None:
    """Add one rank: the share of the running weight grows, and the membership counts by that growth."""
    for i in range(run.size):
        run[i] += weight[i]
    _share(run, have, rules, share)
    for i in range(run.size):
        total[i] += (share[i] - before[i]) * x[i]
        before[i] = share[i]


@compiled_no_refcount
def _swap(x0: Floats, x1: Floats, w0: Floats, w1: Floats, p0: Values, p1: Values) -> None:
    """Put the higher membership first, with its weight and place; equal ones stay."""
    for i in range(x0.size):
        a, b, c, d, e, f = x0[i], x1[i], w0[i], w1[i], p0[i], p1[i]
        swap = b > a
        x0[i] = b if swap else a
        x1[i] = a if swap else b
        w0[i] = d if swap else c
        w1[i] = c if swap else d
        p0[i] = f if swap else e
        p1[i] = e if swap else f


@compiled_no_refcount
def add_ordered(
    values: Values, begin: int, rules: KernelRules, score: Floats, have: Floats, losses: Floats, ranks: Ranks
) -> None:
    """Add up the ordered rule; a criterion raised to 1 leads, those above move down one, those below stay."""
    count, cells = rules.criteria.size, score.size
    x, w, head, place = ranks.x[:, :cells], ranks.w[:, :cells], ranks.head[:, :cells], ranks.place[:, :cells]
    run, before, share = ranks.rows[0, :cells], ranks.rows[1, :cells], ranks.rows[2, :cells]
    raised, ones = ranks.rows[3, :cells], ranks.rows[4, :cells]
    run[:], before[:], ones[:] = 0.0, 0.0, 1.0
    for j in range(count):
        row = values[rules.criteria[j], begin : begin + cells]
        for i in range(cells):
            v = np.float64(row[i])
            x[j, i] = v if v == v else -1.0  # a missing one comes last and weighs nothing
            w[j, i] = rules.weights[j] if v == v else 0.0
            place[j, i] = j
    for last in range(1, count):  # insertion, with the same comparisons in every cell
        for r in range(last, 0, -1):
            _swap(x[r - 1], x[r], w[r - 1], w[r], place[r - 1], place[r])
    for r in range(count):
        _add_share(w[r], x[r], have, rules, run, before, share, score)
        for i in range(cells):
            head[r, i] = score[i]
    for r in range(count if rules.limits else 0):
        run[:], before[:], raised[:] = 0.0, 0.0, 0.0
        _add_share(w[r], ones, have, rules, run, before, share, raised)
        for t in range(r):
            _add_share(w[t], x[t], have, rules, run, before, share, raised)
        for i in range(cells):
            losses[place[r, i], i] = (raised[i] - head[r, i]) * have[i] if w[r, i] > 0.0 else -np.inf
