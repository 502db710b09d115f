"""Kernels for the suitability of groups of cells under many sets of weights.

Rows are draws of one cell, in single precision, so that the processor takes several draws at a time; sums over cells go
cell by cell in double precision.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from underoak.base import exp_log
from underoak.base.compiled import compiled_no_refcount
from underoak.overlay.kernel_rules import GEOMETRIC, MINIMUM, ORDERED
from underoak.uncertainty.draws.draw_overlay_kernels import DEAD, SMALLEST, exp2, log2

Singles = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int32]
Places = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_ZERO, _ONE, _LEAST = np.float32(0.0), np.float32(1.0), np.float32(-126.0)
_HALF_DEAD = np.float32(0.5 * DEAD)


@compiled_no_refcount
def _take(memberships: Singles, at: int, drawn: Singles, drawn_at: int, rule: int, row: Singles) -> None:
    """Write a criterion's memberships in every draw, or their logarithms; `drawn_at` is -1 if it is not drawn."""
    if drawn_at >= 0:
        one = drawn[drawn_at]
        for d in range(row.size):
            row[d] = one[d]
    else:
        row[:] = memberships[at]
    if rule == GEOMETRIC:
        for d in range(row.size):
            m = row[d]
            power = np.float32(log2(m if m >= SMALLEST else _ONE))
            row[d] = power if m >= SMALLEST else DEAD


@compiled_no_refcount
def _add(row: Singles, weight: Singles, total: Singles, have: Singles) -> None:
    """Add weighted memberships, or weighted logarithms: one of 0 outweighs all others."""
    for d in range(row.size):
        w, m = weight[d], row[d]
        dead = DEAD if w > _ZERO else _ZERO
        total[d] += w * m if m > _HALF_DEAD else dead
        have[d] += w


@compiled_no_refcount
def _lower(row: Singles, weight: Singles, total: Singles) -> None:
    for d in range(row.size):
        m = row[d] if weight[d] > _ZERO else _ONE
        total[d] = m if m < total[d] else total[d]


@compiled_no_refcount
def _ordered(
    table: Singles, weights: Singles, is_known: Flags, alpha: float, running: Doubles, work: Doubles, total: Singles
) -> None:
    """Write the ordered rule of every draw: memberships (criteria, draws) are sorted, highest first."""
    x, w = work[0], work[1]
    for d in range(total.size):
        count, have = 0, 0.0
        for j in range(is_known.size):
            weight = np.float64(weights[j, d])
            if not is_known[j] or weight <= 0.0:
                continue
            m, place = np.float64(table[j, d]), count
            while place > 0 and x[place - 1] < m:
                x[place], w[place] = x[place - 1], w[place - 1]
                place -= 1
            x[place], w[place] = m, weight
            count += 1
            have += weight
        run, before, score = 0.0, 0.0, 0.0
        for j in range(count):
            run += w[j]
            r = min(run / have, 1.0)
            if running.size:
                position = r * (running.size - 1)
                i = min(int(position), running.size - 2)
                share = running[i] + (position - i) * (running[i + 1] - running[i])
            else:
                share = r if alpha == 1.0 else exp_log.exp2(alpha * exp_log.log2(r))
            score += (share - before) * x[j]
            before = share
        total[d] = np.float32(score)


@compiled_no_refcount
def _finish(total: Singles, have: Singles, rule: int, renormalise: bool) -> None:
    """Turn sums into suitability, 0 to 1."""
    if renormalise and rule != MINIMUM and rule != ORDERED:
        for d in range(total.size):
            total[d] = total[d] / have[d] if have[d] > _ZERO else _ZERO
    if rule == GEOMETRIC:
        for d in range(total.size):
            y = total[d]
            power = np.float32(exp2(y if y > _LEAST else _LEAST))
            total[d] = power if y > _LEAST else _ZERO
    for d in range(total.size):
        s = total[d] if total[d] < _ONE else _ONE
        total[d] = s if s > _ZERO else _ZERO


@compiled_no_refcount
def add_rank_draws(
    memberships: Singles, begin: int, drawn: Singles, counts: Whole, of: Places, judged: Flags, first: Places,
    group: Whole, share: Doubles, order: Places, can_weigh: Flags, weights: Singles, rule: int, renormalise: bool,
    alpha: float, running: Doubles, table: Singles, is_known: Flags, rows: Singles, work: Doubles, sums: Doubles,
    ground: Doubles,
) -> None:  # fmt: skip
    """Add cells to the groups they lie in: sums (groups, sets * draws) of suitability, and `ground` (groups,).

    memberships, begin, drawn, counts, of, judged, first, group, share: as in `draw_overlay_kernels.add`. order
    (criteria,): the criteria in the order of all below; can_weigh (criteria,): those whose weight is ever above 0;
    weights (sets, criteria, draws). alpha, running: of the ordered rule. table (criteria, draws), is_known (criteria,),
    rows (2, draws), work (2, criteria): working rows.
    """
    sets, criteria, draws = weights.shape
    total, have = rows[0], rows[1]
    for i in range(counts.shape[0]):
        at = begin + i
        if not judged[at] or first[at] == first[at + 1]:
            continue
        known, lacking = 0, 0
        for j in range(criteria):
            k = order[j]
            v = memberships[k, at]
            is_known[j] = can_weigh[j] and v == v
            known += is_known[j]
            lacking += can_weigh[j] and v != v
            if is_known[j]:
                drawn_at = -1
                for n in range(of.size):
                    if of[n] == k and counts[i, n] > 0:
                        drawn_at = n
                _take(memberships[k], at, drawn[i], drawn_at, rule, table[j])
        if known == 0 or (lacking > 0 and not renormalise):
            continue
        for n in range(first[at], first[at + 1]):
            ground[group[n]] += share[n]
        for q in range(sets):
            total[:] = _ONE if rule == MINIMUM else _ZERO
            have[:] = _ZERO
            if rule == ORDERED:
                _ordered(table, weights[q], is_known, alpha, running, work, total)
            for j in range(criteria if rule != ORDERED else 0):
                if not is_known[j]:
                    continue
                if rule == MINIMUM:
                    _lower(table[j], weights[q, j], total)
                else:
                    _add(table[j], weights[q, j], total, have)
            _finish(total, have, rule, renormalise)
            for n in range(first[at], first[at + 1]):
                part, line = share[n], sums[group[n]]
                for d in range(draws):
                    line[q * draws + d] += part * np.float64(total[d])
