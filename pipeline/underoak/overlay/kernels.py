"""The compiled arithmetic that every public function of this folder shares.

All of it stands in one file because the compiler's cache looks at the file of the function called only: a changed helper in
another file would go unnoticed. Loops run over short stretches of cells, one plain step at a time, so that the compiler can
take several cells at once; nothing is reordered, so every cell gets the same bits whatever the stretch.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

LINEAR, GEOMETRIC, MINIMUM, ORDERED = range(4)
TIE = 1e-6  # memberships and gains nearer than this are equal
EXCLUDED, MISSING, NOTHING_LIMITS = np.uint8(250), np.uint8(255), np.uint8(253)
FREE, BARRED = np.uint8(0), np.uint8(1)  # ground: 1 is excluded, anything above is missing
SCORE, HAVE, LEAST, FLOOR, ZEROS, TOP = range(6)  # working rows
EDGE = ZEROS
STRETCH = 512  # cells at a time: the working rows of ten criteria stay in the nearest cache

_options = {"cache": True, "nogil": True, "error_model": "numpy"}

# --- powers of two: one form for every machine, where the system's own differ in the last digit --------------------------

_FRACTION_BITS, _BIAS = np.uint64(52), np.uint64(1023)
_ONE = np.float64(1.0).view(np.uint64)
_TO_ROOT_HALF = np.uint64(_ONE - np.float64(math.sqrt(0.5)).view(np.uint64))
_EXPONENT = np.uint64(0x4330000000000000)  # the bits of 2**52: or-ing a small whole number in adds it
_WHOLE = 1.5 * 2.0**52  # adding and taking it away rounds to a whole number
_PER_LN2 = 2.0 / math.log(2.0)
_E1, _E2, _E3, _E4, _E5, _E6, _E7, _E8, _E9, _E10, _E11, _E12, _E13 = (
    math.log(2.0) ** k / math.factorial(k) for k in range(1, 14)
)
_SMALLEST = 2.0**-1022


@njit(**_options)
def log2(x):
    """Binary logarithm of a normal positive number: x = f 2**p with f near 1, log f from the series of artanh."""
    bits = np.float64(x).view(np.uint64)
    e = np.uint64((bits + _TO_ROOT_HALF) >> _FRACTION_BITS)
    f = np.uint64(bits - (e << _FRACTION_BITS) + _ONE).view(np.float64)
    p = np.uint64(e | _EXPONENT).view(np.float64) - (2.0**52 + 1023.0)
    s = (f - 1.0) / (f + 1.0)
    z = s * s
    tail = 1 / 11 + z * (1 / 13 + z * (1 / 15 + z * (1 / 17 + z * (1 / 19))))
    return p + _PER_LN2 * s * (1.0 + z * (1 / 3 + z * (1 / 5 + z * (1 / 7 + z * (1 / 9 + z * tail)))))


@njit(**_options)
def exp2(y):
    """Two to the power of y; below -1022 (and for NaN) the smallest normal number."""
    y = y if y > -1022.0 else -1022.0
    whole = np.float64(y + _WHOLE)
    r = y - (whole - _WHOLE)
    scale = np.uint64((whole.view(np.uint64) + _BIAS) << _FRACTION_BITS).view(np.float64)
    tail = _E7 + r * (_E8 + r * (_E9 + r * (_E10 + r * (_E11 + r * (_E12 + r * _E13)))))
    return scale * (1.0 + r * (_E1 + r * (_E2 + r * (_E3 + r * (_E4 + r * (_E5 + r * (_E6 + r * tail)))))))


# --- combination: one plain step for each function, over a stretch of cells ------------------------------------------------


@njit(**_options)
def _note(row, weight, gap, have, least):
    """Count the weight that is present, and the lowest membership."""
    for i in range(row.size):
        v = np.float64(row[i])
        have[i] += weight if v == v else gap
        low = least[i]
        least[i] = v if v < low else low


@njit(**_options)
def _add_linear(row, weight, score, loss):
    for i in range(row.size):
        v = np.float64(row[i])
        score[i] += weight * v if v == v else 0.0
        loss[i] = weight * (1.0 - v) if v == v else -np.inf


@njit(**_options)
def _add_geometric(row, weight, score, zeros, loss):
    """Sum the logarithms of what is above 0, and count the zeros."""
    for i in range(row.size):
        v = np.float64(row[i])
        above = v >= _SMALLEST
        lost = -weight * log2(v if above else 1.0)
        score[i] -= lost
        zeros[i] += 1.0 if v < _SMALLEST else 0.0
        lost = lost if above else np.inf
        loss[i] = lost if v == v else -np.inf


@njit(**_options)
def _share(run, have, alpha, order, share):
    """What the best `run` of the weight counts for: r**alpha, or the running order weights with straight lines between."""
    for i in range(run.size):
        r = run[i] / have[i]
        r = r if r < 1.0 else 1.0
        if order.size:
            at = r * (order.size - 1)
            j = min(int(at), order.size - 2)
            share[i] = order[j] + (at - j) * (order[j + 1] - order[j])
        elif alpha == 1.0:
            share[i] = r
        else:
            share[i] = exp2(alpha * log2(r if r > 0.0 else 1.0))


@njit(**_options)
def _sort(x, w, place):
    """Sort the criteria of every cell from high to low; equal ones keep plan order."""
    for last in range(1, x.shape[0]):
        for r in range(last, 0, -1):
            x0, x1, w0, w1, p0, p1 = x[r - 1], x[r], w[r - 1], w[r], place[r - 1], place[r]
            for i in range(x0.size):
                swap = x1[i] > x0[i]
                a, b, c, d, e, f = x0[i], x1[i], w0[i], w1[i], p0[i], p1[i]
                x0[i], x1[i] = b if swap else a, a if swap else b
                w0[i], w1[i] = d if swap else c, c if swap else d
                p0[i], p1[i] = f if swap else e, e if swap else f


@njit(**_options)
def _add_share(run, weight, have, alpha, order, x, before, share, total):
    """One rank further down: the running weight's share grows, and what it grows by counts the membership there."""
    for i in range(run.size):
        run[i] += weight[i]
    _share(run, have, alpha, order, share)
    for i in range(run.size):
        total[i] += (share[i] - before[i]) * x[i]
        before[i] = share[i]


@njit(**_options)
def _add_ordered(values, begin, end, which, weights, alpha, order, score, have, losses, with_gains):
    """The ordered sum, and what it would grow by were one criterion at 1: it would lead, those below it keep their shares."""
    count, cells = which.size, end - begin
    x, w, head = np.empty((count, cells)), np.empty((count, cells)), np.empty((count, cells))
    place = np.empty((count, cells), np.int64)
    run, before, share = np.zeros(cells), np.zeros(cells), np.empty(cells)
    for j in range(count):
        row = values[which[j], begin:end]
        for i in range(cells):
            v = np.float64(row[i])
            x[j, i], w[j, i], place[j, i] = (v, weights[j], j) if v == v else (-1.0, 0.0, j)
    _sort(x, w, place)
    for r in range(count):
        _add_share(run, w[r], have, alpha, order, x[r], before, share, score)
        head[r] = score
    top = np.ones(cells)
    raised = np.empty(cells)
    for r in range(count if with_gains else 0):
        run[:], before[:], raised[:] = 0.0, 0.0, 0.0
        _add_share(run, w[r], have, alpha, order, top, before, share, raised)
        for t in range(r):
            _add_share(run, w[t], have, alpha, order, x[t], before, share, raised)
        for i in range(cells):
            losses[place[r, i], i] = (raised[i] - head[r, i]) * have[i] if w[r, i] > 0.0 else -np.inf


@njit(**_options)
def _highest(losses, top):
    top[:] = -np.inf
    for j in range(losses.shape[0]):
        loss = losses[j]
        for i in range(top.size):
            t = top[i]
            top[i] = loss[i] if loss[i] > t else t


@njit(**_options)
def _close_geometric(score, have, zeros):
    for i in range(score.size):
        score[i] = exp2(score[i] / have[i])  # of the criteria above 0, until `_close`


@njit(**_options)
def _floor_geometric(score, have, zeros, top, floor):
    for i in range(score.size):
        rest = score[i]
        peak = exp2(top[i] / have[i])
        near = have[i] * log2(peak - TIE / rest)
        near = near if zeros[i] == 0.0 else np.inf
        gain = rest * (peak - 1.0) if zeros[i] == 0.0 else rest  # one zero raised leaves the others
        floor[i] = near if gain > TIE and zeros[i] < 2.0 else np.nan


@njit(**_options)
def _floor(top, unit, floor):
    for i in range(top.size):
        near = TIE * unit[i]
        floor[i] = top[i] - near if top[i] > near else np.nan


@njit(**_options)
def _close(score, have, zeros):
    """Into 0..1; 0 where a zero kills; NaN where missing."""
    for i in range(score.size):
        s = score[i] if score[i] < 1.0 else 1.0
        s = s if s > 0.0 and zeros[i] == 0.0 else 0.0
        score[i] = s if have[i] > 0.0 else np.nan


@njit(**_options)
def _score(values, begin, end, which, weights, rule, alpha, order, renormalise, work, losses, with_gains):
    """Judge the cells begin..end of `values` (criteria, cells); `which` criteria have a weight above 0, `weights` are theirs.

    work, by row: score 0..1, NaN where missing; weight present, 0 or NaN where missing; lowest membership; floor; two spare.
    losses: a number for each criterion that grows with what raising it to 1 alone would add (the sums: that times weight).
    floor: the losses that reach it are the most gainful; NaN where no criterion alone adds more than TIE.
    """
    cells = end - begin
    score, have, least = work[SCORE, :cells], work[HAVE, :cells], work[LEAST, :cells]
    floor, zeros, top = work[FLOOR, :cells], work[ZEROS, :cells], work[TOP, :cells]
    gap = 0.0 if renormalise else np.nan
    score[:], have[:], zeros[:], least[:] = 0.0, 0.0, 0.0, np.inf
    for j in range(which.size):
        row = values[which[j], begin:end]
        _note(row, weights[j], gap, have, least)
        if rule == LINEAR:
            _add_linear(row, weights[j], score, losses[j, :cells])
        elif rule == GEOMETRIC:
            _add_geometric(row, weights[j], score, zeros, losses[j, :cells])
    if rule == ORDERED:
        _add_ordered(values, begin, end, which, weights, alpha, order, score, have, losses, with_gains)
    with_gains = with_gains and rule != MINIMUM  # there, a gain above TIE is the weakest's alone
    if with_gains:
        _highest(losses, top)
    if rule == LINEAR:
        for i in range(cells):
            score[i] /= have[i]
    elif rule == GEOMETRIC:
        for i in range(cells):
            score[i] = exp2(score[i] / have[i])  # of the criteria above 0; `_close` sees to the zeros
    elif rule == MINIMUM:
        score[:] = least
    if with_gains and rule == GEOMETRIC:
        _floor_geometric(score, have, zeros, top, floor)
    elif with_gains:
        _floor(top, have, floor)
    else:
        floor[:] = np.nan
    _close(score, have, zeros)


# --- limits and classes ---------------------------------------------------------------------------------------------------


@njit(**_options)
def _mark_low(row, edge, code, found):
    for i in range(found.size):
        was = found[i]
        found[i] = code if row[i] <= edge[i] else was


@njit(**_options)
def _mark_high(row, floor, code, found):
    for i in range(found.size):
        was = found[i]
        found[i] = code if row[i] >= floor[i] else was


@njit(**_options)
def _edges(work, cells):
    """Memberships at or below edge are the weakest; at 1 (within TIE) nothing limits: no edge, no floor."""
    least, floor, edge = work[LEAST, :cells], work[FLOOR, :cells], work[EDGE, :cells]
    for i in range(cells):
        edge[i] = least[i] + TIE if least[i] < 1.0 - TIE else -1.0
        floor[i] = floor[i] if least[i] < 1.0 - TIE else np.nan


@njit(**_options)
def _limits(values, begin, end, which, work, losses, weak, gain):
    """The first in plan order of the weakest and of the most gainful; where nothing alone helps, that is the weakest."""
    cells = end - begin
    _edges(work, cells)
    weak[:] = NOTHING_LIMITS
    for j in range(which.size - 1, -1, -1):
        _mark_low(values[which[j], begin:end], work[EDGE, :cells], np.uint8(which[j]), weak)
    gain[:] = weak
    for j in range(which.size - 1, -1, -1):
        _mark_high(losses[j, :cells], work[FLOOR, :cells], np.uint8(which[j]), gain)


@njit(**_options)
def _class(score, least, s1, s2, s3, capped):
    """1..4 of a score; capped: at best one above the class of the lowest membership."""
    code = 1 + (score < s1) + (score < s2) + (score < s3)
    cap = (least < s1) + (least < s2) + (least < s3)
    return np.uint8(max(code, cap * capped))


# --- whole arrays: values (criteria, cells) -------------------------------------------------------------------------------


@njit(**_options)
def classify(scores, least, s1, s2, s3, capped, out):
    """Classes of scores; NaN is missing."""
    for i in range(scores.size):
        out[i] = _class(scores[i], least[i], s1, s2, s3, capped) if scores[i] == scores[i] else MISSING


@njit(**_options)
def combine(values, which, weights, rule, alpha, order, renormalise, out):
    """Scores of all cells."""
    work, losses = np.empty((6, STRETCH)), np.empty((which.size, STRETCH))
    for begin in range(0, out.size, STRETCH):
        end = min(begin + STRETCH, out.size)
        _score(values, begin, end, which, weights, rule, alpha, order, renormalise, work, losses, False)
        out[begin:end] = work[SCORE, : end - begin]


@njit(**_options)
def limits_of_one(values, which, weights, rule, alpha, order, renormalise, weak, gain):
    """Of the first cell: which criteria are the weakest and which the most gainful, all ties; False when not judged."""
    work, losses = np.empty((6, STRETCH)), np.empty((which.size, STRETCH))
    _score(values, 0, 1, which, weights, rule, alpha, order, renormalise, work, losses, True)
    _edges(work, 1)
    for j in range(which.size):
        weak[j] = values[which[j], 0] <= work[EDGE, 0]
        gain[j] = losses[j, 0] >= work[FLOOR, 0]
    return work[HAVE, 0] > 0.0


@njit(**_options)
def judge(
    values, ground, which, weights, rule, alpha, order, renormalise, s1, s2, s3, capped,
    suitability, classes, weakest, gainful, missing_weight,
):
    """Everything a cell is told, in one pass; `missing_weight` is empty when not asked for."""
    work, losses = np.empty((6, STRETCH)), np.empty((which.size, STRETCH))
    whole = 0.0
    for j in range(which.size):
        whole += weights[j]
    for begin in range(0, ground.size, STRETCH):
        end = min(begin + STRETCH, ground.size)
        state, weak, gain = ground[begin:end], weakest[begin:end], gainful[begin:end]
        to, code = suitability[begin:end], classes[begin:end]
        if np.any(state == FREE):
            _score(values, begin, end, which, weights, rule, alpha, order, renormalise, work, losses, True)
            _limits(values, begin, end, which, work, losses, weak, gain)
        score, have, least = work[SCORE], work[HAVE], work[LEAST]
        for i in range(state.size):
            if state[i] == FREE and score[i] == score[i]:
                to[i] = np.float32(score[i])
                code[i] = _class(to[i], np.float32(least[i]), s1, s2, s3, capped)
            else:
                to[i] = np.float32(np.nan)
                code[i] = weak[i] = gain[i] = EXCLUDED if state[i] == BARRED else MISSING
        if missing_weight.size:
            lacking = missing_weight[begin:end]
            for i in range(state.size):
                lacking[i] = np.float32(1.0 - have[i] / whole if state[i] == FREE else np.nan)
