"""Kernels for combination, limiting factors and classes, shared by plain arrays and by `judge`.

Steps run over short stretches of cells, one plain loop each, so that the processor takes several cells at a time; sums
add criteria in plan order, so a cell gets the same bits in any stretch.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from underoak.base.codes import EXCLUDED, MISSING, NOTHING_LIMITS
from underoak.base.compiled import compiled, compiled_no_refcount
from underoak.base.exp_log import SMALLEST, exp2, log2
from underoak.overlay.class_kernels import classes_of, hold_to_essential
from underoak.overlay.kernel_rules import GEOMETRIC, LINEAR, MINIMUM, ORDERED, Floats, KernelRules
from underoak.overlay.ordered_kernels import Ranks, add_ordered, ranks_of

Values = npt.NDArray[np.floating[Any]]
Bytes = npt.NDArray[np.uint8]
Flags = npt.NDArray[np.bool_]

STRETCH = 512  # cells at a time: the working rows of some ten criteria stay in the nearest cache
TIE = 1e-6  # memberships and gains no further apart than this are equal
SCORE, HAVE, LEAST, FLOOR, ZEROS, TOP, EDGE = *range(6), 4  # rows of `work`; that of the zeros holds the edge later
_FREE, _BARRED = np.uint8(0), np.uint8(1)  # states; any other number is missing
_EXCLUDED, _MISSING, _NOTHING = np.uint8(EXCLUDED), np.uint8(MISSING), np.uint8(NOTHING_LIMITS)
_UNMARKED = _MISSING  # while the limits of a stretch are sought


class Workspace(NamedTuple):
    """A set of working rows for a stretch of cells."""

    work: Floats
    losses: Floats  # (criteria, cells)
    ranks: Ranks


@compiled
def _workspace(rules: KernelRules) -> Workspace:
    losses = np.empty((rules.criteria.size, STRETCH))
    return Workspace(np.empty((6, STRETCH)), losses, ranks_of(rules, STRETCH))


@compiled_no_refcount
def _note(row: Values, weight: float, gap: float, have: Floats, least: Floats) -> None:
    """Add up the weight that is present, and note the lowest membership."""
    for i in range(row.size):
        v = np.float64(row[i])
        low = least[i]
        have[i] += weight if v == v else gap
        least[i] = v if v < low else low


@compiled_no_refcount
def _add_linear(row: Values, weight: float, gap: float, score: Floats, have: Floats) -> None:
    for i in range(row.size):
        v = np.float64(row[i])
        score[i] += weight * v if v == v else 0.0
        have[i] += weight if v == v else gap


@compiled_no_refcount
def _add_whole(row: Values, weight: float, score: Floats) -> None:
    """Add a criterion as `_add_linear` does, where nothing is missing: the weight present is that of all."""
    for i in range(row.size):
        score[i] += weight * np.float64(row[i])


@compiled_no_refcount
def _divide(values: Values, begin: int, rules: KernelRules, gap: float, score: Floats, have: Floats) -> None:
    """Turn the sums of `_add_whole` into weighted means; a stretch with missing cells is added up once more."""
    all_weight, missing = 0.0, 0
    for j in range(rules.weights.size):
        all_weight += rules.weights[j]
    for i in range(score.size):
        have[i] = all_weight
        missing += int(score[i] != score[i])
    if missing:
        score[:], have[:] = 0.0, 0.0
        for j in range(rules.criteria.size):
            row = values[rules.criteria[j], begin : begin + score.size]
            _add_linear(row, rules.weights[j], gap, score, have)
    for i in range(score.size):
        score[i] /= have[i]


@compiled_no_refcount
def _extremes(row: Values, weight: float, least: Floats, top: Floats) -> None:
    """Update the lowest membership and the highest loss of the weighted sum.

    A loop of its own: with more arrays the compiler cannot rule out overlap, and takes the cells one by one.
    """
    for i in range(row.size):
        v = np.float64(row[i])
        low, high, loss = least[i], top[i], weight * (1.0 - v)
        least[i] = v if v < low else low
        top[i] = loss if loss > high else high


@compiled_no_refcount
def _add_geometric(row: Values, weight: float, score: Floats, zeros: Floats, loss: Floats) -> None:
    """Add up the logarithms of what is above 0, and count the zeros."""
    for i in range(row.size):
        v = np.float64(row[i])
        lost = -weight * log2(v if v >= SMALLEST else 1.0)
        score[i] -= lost
        zeros[i] += 1.0 if v < SMALLEST else 0.0
        lost = lost if v >= SMALLEST else np.inf
        loss[i] = lost if v == v else -np.inf


@compiled_no_refcount
def _highest(losses: Floats, top: Floats) -> None:
    for j in range(losses.shape[0]):
        loss = losses[j]
        for i in range(top.size):
            t = top[i]
            top[i] = loss[i] if loss[i] > t else t


@compiled_no_refcount
def _floor_of_sum(top: Floats, have: Floats, floor: Floats) -> None:
    for i in range(top.size):
        tie = TIE * have[i]
        floor[i] = top[i] - tie if top[i] > tie else np.nan


@compiled_no_refcount
def _floor_of_product(score: Floats, have: Floats, zeros: Floats, top: Floats, floor: Floats) -> None:
    """Write the floor of losses: gains are score (2**(loss / have) - 1); one zero raised leaves the others' product."""
    for i in range(score.size):
        peak = exp2(top[i] / have[i])
        gain = score[i] * (peak - 1.0) if zeros[i] == 0.0 else score[i]
        near = have[i] * log2(peak - TIE / score[i])
        near = near if zeros[i] == 0.0 else np.inf
        floor[i] = near if gain > TIE and zeros[i] < 2.0 else np.nan


@compiled_no_refcount
def _close(score: Floats, have: Floats, zeros: Floats) -> None:
    """Bring scores into 0..1; 0 where a zero ends the product; NaN where missing."""
    for i in range(score.size):
        s = score[i] if score[i] < 1.0 else 1.0
        s = s if s > 0.0 and zeros[i] == 0.0 else 0.0
        score[i] = s if have[i] > 0.0 else np.nan


@compiled_no_refcount
def _score(values: Values, begin: int, cells: int, rules: KernelRules, workspace: Workspace) -> None:
    """Judge `cells` cells of `values` (criteria, all cells) from `begin` on, into the rows of `workspace.work`.

    SCORE: 0..1, NaN where missing. HAVE: weight present; 0 or NaN where missing. LEAST: lowest membership.
    losses: for each of `rules.criteria`, a number that grows with what raising it to 1 alone would add to the score;
    under the linear rule they are quick to compute again, so they are not stored.
    FLOOR: criteria whose loss reaches it are the most gainful; NaN where none alone adds more than TIE. Under the
    minimum it is always NaN: there only the single lowest can gain, so the most gainful is the weakest.
    """
    work, losses = workspace.work, workspace.losses
    score, have, least = work[SCORE, :cells], work[HAVE, :cells], work[LEAST, :cells]
    floor, zeros, top = work[FLOOR, :cells], work[ZEROS, :cells], work[TOP, :cells]
    score[:], have[:], zeros[:], least[:], floor[:], top[:] = 0.0, 0.0, 0.0, np.inf, np.nan, -np.inf
    gap = 0.0 if rules.renormalise else np.nan
    rule = rules.rule
    for j in range(rules.criteria.size):
        row, weight = values[rules.criteria[j], begin : begin + cells], rules.weights[j]
        if rule == LINEAR:
            _extremes(row, weight, least, top)
            _add_whole(row, weight, score)
            continue
        _note(row, weight, gap, have, least)
        if rule == GEOMETRIC:
            _add_geometric(row, weight, score, zeros, losses[j, :cells])
    if rule == LINEAR:
        _divide(values, begin, rules, gap, score, have)
    elif rule == ORDERED:
        add_ordered(values, begin, rules, score, have, losses, workspace.ranks)
    elif rule == MINIMUM:
        for i in range(cells):
            score[i] = least[i]
    else:
        for i in range(cells):
            score[i] = exp2(score[i] / have[i])
    if rules.limits and rule != MINIMUM:
        if rule != LINEAR:
            _highest(losses, top)
        if rule == GEOMETRIC:
            _floor_of_product(score, have, zeros, top, floor)
        else:
            _floor_of_sum(top, have, floor)
    _close(score, have, zeros)


@compiled_no_refcount
def _edges(work: Floats, cells: int) -> None:
    """Find the edge up to which memberships are the weakest; where all are 1 (within TIE): no edge, no floor."""
    least, floor, edge = work[LEAST, :cells], work[FLOOR, :cells], work[EDGE, :cells]
    for i in range(cells):
        limited = least[i] < 1.0 - TIE
        edge[i] = least[i] + TIE if limited else -1.0
        floor[i] = floor[i] if limited else np.nan


@compiled_no_refcount
def _mark_low(row: Values, edge: Floats, code: np.uint8, marks: Bytes) -> None:
    for i in range(marks.size):
        was = marks[i]
        marks[i] = code if row[i] <= edge[i] else was


@compiled_no_refcount
def _mark_high(row: Floats, floor: Floats, code: np.uint8, marks: Bytes) -> None:
    for i in range(marks.size):
        was = marks[i]
        marks[i] = code if row[i] >= floor[i] else was


@compiled_no_refcount
def _mark_both(
    row: Values, weight: float, edge: Floats, floor: Floats, code: np.uint8, weak: Bytes, gain: Bytes
) -> None:
    """Set both marks of a criterion of the weighted sum."""
    for i in range(weak.size):
        v, was_weak, was_gain = np.float64(row[i]), weak[i], gain[i]
        weak[i] = code if v <= edge[i] else was_weak
        gain[i] = code if weight * (1.0 - v) >= floor[i] else was_gain


@compiled_no_refcount
def _limits(values: Values, begin: int, rules: KernelRules, workspace: Workspace, weak: Bytes, gain: Bytes) -> None:
    """Write the first in plan order of the weakest and of the most gainful; the weakest where nothing alone helps."""
    work, losses, cells = workspace.work, workspace.losses, weak.size
    edge, floor = work[EDGE, :cells], work[FLOOR, :cells]
    _edges(work, cells)
    weak[:], gain[:] = _NOTHING, _UNMARKED
    for j in range(rules.criteria.size - 1, -1, -1):
        k = rules.criteria[j]
        row, code = values[k, begin : begin + cells], np.uint8(k)
        if rules.rule == LINEAR:
            _mark_both(row, rules.weights[j], edge, floor, code, weak, gain)
        else:
            _mark_low(row, edge, code, weak)
            _mark_high(losses[j, :cells], floor, code, gain)
    for i in range(cells):
        gain[i] = weak[i] if gain[i] == _UNMARKED else gain[i]


@compiled
def combine(values: Values, rules: KernelRules, out: Floats) -> None:
    """Write the scores of all cells into `out`."""
    workspace = _workspace(rules)
    for begin in range(0, out.size, STRETCH):
        to = out[begin : begin + STRETCH]
        _score(values, begin, to.size, rules, workspace)
        for i in range(to.size):
            to[i] = workspace.work[SCORE, i]


@compiled
def limits_of_cell(values: Values, rules: KernelRules, weak: Flags, gain: Flags) -> bool:
    """Flag the weakest and the most gainful criteria of one cell, ties included; return False if it is not judged."""
    workspace = _workspace(rules)
    work, losses = workspace.work, workspace.losses
    _score(values, 0, 1, rules, workspace)
    _edges(work, 1)
    for j in range(rules.criteria.size):
        v = np.float64(values[rules.criteria[j], 0])
        loss = rules.weights[j] * (1.0 - v) if rules.rule == LINEAR else losses[j, 0]
        weak[j] = v <= work[EDGE, 0]
        gain[j] = loss >= work[FLOOR, 0]
    return bool(work[HAVE, 0] > 0.0)


@compiled_no_refcount
def _settle(state: Bytes, score: Floats, to: Values) -> None:
    for i in range(to.size):
        to[i] = np.float32(score[i]) if state[i] == _FREE else np.float32(np.nan)


@compiled_no_refcount
def _lower(row: Values, least: Floats) -> None:
    for i in range(row.size):
        v, low = np.float64(row[i]), least[i]
        least[i] = v if v < low else low


@compiled_no_refcount
def _lose_missing(row: Values, score: Floats) -> None:
    for i in range(row.size):
        score[i] = score[i] if row[i] == row[i] else np.nan


@compiled_no_refcount
def _require_essential(values: Values, begin: int, rules: KernelRules, score: Floats) -> None:
    """Leave cells unjudged where an essential criterion is missing, of weight 0 too; not under `renormalise`."""
    for j in range(0 if rules.renormalise else rules.essential.size):
        _lose_missing(values[rules.essential[j], begin : begin + score.size], score)


@compiled_no_refcount
def _hold_to_essential(
    values: Values, begin: int, rules: KernelRules, work: Floats, code: Bytes, weak: Bytes, gain: Bytes
) -> None:
    """Lower classes to those of the essential criteria, and name the first of the lowest that do so as the weakest."""
    cells = code.size
    least, edge = work[TOP, :cells], work[EDGE, :cells]
    least[:] = np.inf
    for j in range(rules.essential.size):
        _lower(values[rules.essential[j], begin : begin + cells], least)
    hold_to_essential(least, rules.s1, rules.s2, rules.s3, TIE, code, edge)
    for j in range(rules.essential.size - 1, -1, -1):
        k = rules.essential[j]
        _mark_low(values[k, begin : begin + cells], edge, np.uint8(k), weak)
    for i in range(cells):
        gain[i] = weak[i] if gain[i] == _NOTHING else gain[i]


@compiled_no_refcount
def _unjudged(state: Bytes, scores: Values, weak: Bytes, gain: Bytes) -> None:
    for i in range(weak.size):
        judged = scores[i] == scores[i]
        unjudged = _EXCLUDED if state[i] == _BARRED else _MISSING
        weak[i] = weak[i] if judged else unjudged
        gain[i] = gain[i] if judged else unjudged


@compiled
def judge(
    values: Values,
    states: Bytes,
    rules: KernelRules,
    suitability: Values,
    classes: Bytes,
    weakest: Bytes,
    gainful: Bytes,
    missing_weight: Values,
) -> None:
    """Write all results of every cell in one pass; `missing_weight` is empty if it is not needed."""
    workspace = _workspace(rules)
    score, have, least = workspace.work[SCORE], workspace.work[HAVE], workspace.work[LEAST]
    all_weight = 0.0
    for j in range(rules.criteria.size):
        all_weight += rules.weights[j]
    for begin in range(0, states.size, STRETCH):
        end = min(begin + STRETCH, states.size)
        block_state, weak, gain = states[begin:end], weakest[begin:end], gainful[begin:end]
        to, code = suitability[begin:end], classes[begin:end]
        if np.any(block_state == _FREE):
            _score(values, begin, block_state.size, rules, workspace)
            _limits(values, begin, rules, workspace, weak, gain)
            _require_essential(values, begin, rules, score[: block_state.size])
        _settle(block_state, score, to)
        classes_of(block_state, to, least, rules.s1, rules.s2, rules.s3, rules.capped, code)
        if rules.essential.size:
            _hold_to_essential(values, begin, rules, workspace.work, code, weak, gain)
        _unjudged(block_state, to, weak, gain)
        for i in range(block_state.size if missing_weight.size else 0):
            missing_weight[begin + i] = np.float32(1.0 - have[i] / all_weight if block_state[i] == _FREE else np.nan)
