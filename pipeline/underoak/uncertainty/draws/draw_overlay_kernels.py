"""Kernels for the overlay of draws: draws of source cells resampled, combined, and summed up.

Arrays of draws are (cells, draws) in single precision; the processor takes several draws of a cell at a time. Sums over
draws go in halves, always the same ones; sums over cells go cell by cell in double precision.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base.compiled import compiled, compiled_no_refcount
from underoak.overlay.kernel_rules import GEOMETRIC, LINEAR

Singles = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int32]
Places = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

SMALLEST = np.float32(2.0**-126)  # anything below counts as 0
DEAD = np.float32(-1.0e9)  # stands for the logarithm of 0
_ZERO, _ONE, _LEAST = np.float32(0.0), np.float32(1.0), np.float32(-126.0)
_ROOT_HALF = np.int32(0x3F3504F3)  # the bits of the root of a half
_BITS_OF_ONE = np.int32(0x3F800000)
_FRACTION = np.int32(0x007FFFFF)
_23 = np.int32(23)
_ROUND = np.float32(1.5 * 2.0**23)  # adding it and taking it away rounds to a whole number
_L1, _L3, _L5, _L7, _L9 = (np.float32(2.0 / (np.log(2.0) * n)) for n in (1, 3, 5, 7, 9))
_E1, _E2, _E3, _E4, _E5, _E6, _E7 = (
    np.float32(np.log(2.0) ** n / f) for n, f in ((1, 1), (2, 2), (3, 6), (4, 24), (5, 120), (6, 720), (7, 5040))
)


@compiled_no_refcount
def log2(x: Any) -> Any:
    """Return the binary logarithm of a normal positive single number, as `base.exp_log.log2` but to 2e-7."""
    bits = np.int32(np.float32(x).view(np.int32) - _ROOT_HALF)
    e = np.int32(bits >> _23)
    f = np.int32((bits & _FRACTION) + _ROOT_HALF).view(np.float32)
    s = np.float32((f - _ONE) / (f + _ONE))
    z = np.float32(s * s)
    return np.float32(np.float32(e) + s * (_L1 + z * (_L3 + z * (_L5 + z * (_L7 + z * _L9)))))


@compiled_no_refcount
def exp2(y: Any) -> Any:
    """Return two to the power of y, -126 to 126, to 2e-7 of it."""
    shifted = np.float32(y + _ROUND)
    rounded = np.float32(shifted - _ROUND)
    r = np.float32(y - rounded)
    scale = np.int32((np.int32(rounded) << _23) + _BITS_OF_ONE).view(np.float32)
    tail = _E4 + r * (_E5 + r * (_E6 + r * _E7))
    return np.float32(scale * (_ONE + r * (_E1 + r * (_E2 + r * (_E3 + r * tail)))))


@compiled_no_refcount
def take_source_draws(
    table: Singles, start: Places, count: Whole, index: Whole, weight: Singles, judged: Flags, begin: int, j: int,
    out: Singles, counts: Whole,
) -> None:  # fmt: skip
    """Write draws of cells from those of source cells: table (source cells, draws), out (cells, criteria, draws).

    Cell i of the flat arrays takes the source cells index[start[i]] and on, count[i] of them, each times its weight;
    the cells from `begin` on are those of criterion j, and in `counts` how many source cells each took.
    """
    for i in range(counts.shape[0]):
        to, at, n = out[i, j], start[begin + i], count[begin + i]
        n = n if judged[begin + i] else 0
        counts[i, j] = n
        if n == 1:
            only = table[index[at]]
            for d in range(to.size):
                to[d] = only[d]
        elif n == 4:
            a, b, e, f = table[index[at]], table[index[at + 1]], table[index[at + 2]], table[index[at + 3]]
            p, q, r, s = weight[at], weight[at + 1], weight[at + 2], weight[at + 3]
            for d in range(to.size):
                to[d] = (p * a[d] + q * b[d]) + (r * e[d] + s * f[d])
        else:
            to[:] = 0.0
            for k in range(at, at + n):
                one, by = table[index[k]], weight[k]
                for d in range(to.size):
                    to[d] += by * one[d]


@compiled_no_refcount
def piecewise(
    values: Singles, k: int, n: int, start: Singles, x: Singles, y: Singles, slope: Singles, got: Singles
) -> None:
    """Write memberships in place of values, as `overlay.curve_kernels.piecewise` does, in single precision.

    values (cells, criteria, draws): those of criterion k in the first n cells. `got` is a working row (draws).
    """
    low, high = x[0], x[-1]
    for i in range(n):
        row = values[i, k]
        for d in range(row.size):
            v = row[d] if row[d] > low else low
            row[d] = v if v < high else high
            got[d] = y[0]
        for j in range(1, start.size):
            from_, x_j, y_j, by = start[j], x[j], y[j], slope[j]
            for d in range(row.size):
                was = got[d]
                got[d] = y_j + (row[d] - x_j) * by if row[d] > from_ else was
        for d in range(row.size):
            g = got[d] if got[d] < _ONE else _ONE
            row[d] = g if g > 0.0 else np.float32(0.0)


@compiled_no_refcount
def _add_linear(cell: Singles, by: Any, row: Singles) -> None:
    for d in range(row.size):
        row[d] += by * cell[d]


@compiled_no_refcount
def _add_geometric(cell: Singles, by: Any, row: Singles) -> None:
    """Add up logarithms; one of 0 outweighs all others."""
    for d in range(row.size):
        m = cell[d]
        lost = np.float32(by * log2(m if m >= SMALLEST else _ONE))
        row[d] += lost if m >= SMALLEST else DEAD


@compiled_no_refcount
def _raise(row: Singles) -> None:
    """Write powers of two; 0 where they are too small for a number."""
    for d in range(row.size):
        y = row[d]
        power = exp2(y if y > _LEAST else _LEAST)
        row[d] = power if y > _LEAST else _ZERO


@compiled_no_refcount
def _lower(cell: Singles, row: Singles) -> None:
    for d in range(row.size):
        row[d] = cell[d] if cell[d] < row[d] else row[d]


@compiled_no_refcount
def scores(
    memberships: Singles, begin: int, drawn: Singles, counts: Whole, of: Places, weights: Doubles, rule: int,
    renormalise: bool, out: Singles,
) -> None:  # fmt: skip
    """Write the suitability of cells in every draw into `out`, (cells, draws); NaN where it is missing.

    memberships (criteria, all cells): judged once, from cell `begin` on. drawn (cells, uncertain criteria, draws):
    those of the criteria `of`; counts (cells, uncertain criteria) is 0 where a criterion was not drawn. The rule is
    linear, geometric or minimum.
    """
    for i in range(counts.shape[0]):
        row = out[i]
        have, base, least, known, dead = 0.0, 0.0, np.float32(1.0), True, False
        for k in range(weights.size):
            w, v = weights[k], memberships[k, begin + i]
            if w <= 0.0:
                continue
            if v != v:
                known = known and renormalise
                continue
            have += w
            sure = True
            for j in range(of.size):
                sure = sure and not (of[j] == k and counts[i, j] > 0)
            if not sure:
                continue
            if rule == LINEAR:
                base += w * v
            elif rule == GEOMETRIC:
                dead = dead or v < SMALLEST
                base += w * np.float64(log2(v if v >= SMALLEST else _ONE))
            else:
                least = v if v < least else least
        if not known or have <= 0.0:
            row[:] = np.nan
            continue
        if dead:
            row[:] = 0.0
            continue
        row[:] = least if rule != LINEAR and rule != GEOMETRIC else np.float32(base / have)
        for j in range(of.size):
            k = of[j]
            v = memberships[k, begin + i]
            if weights[k] <= 0.0 or v != v or counts[i, j] == 0:
                continue
            by = np.float32(weights[k] / have)
            if rule == LINEAR:
                _add_linear(drawn[i, j], by, row)
            elif rule == GEOMETRIC:
                _add_geometric(drawn[i, j], by, row)
            else:
                _lower(drawn[i, j], row)
        if rule == GEOMETRIC:
            _raise(row)
        for d in range(row.size):
            s = row[d] if row[d] < _ONE else _ONE
            row[d] = s if s > 0.0 else np.float32(0.0)


@compiled_no_refcount
def class_margins(
    memberships: Singles, begin: int, drawn: Singles, counts: Whole, of: Places, needed: Singles, out: Singles
) -> None:
    """Write by how much memberships exceed what class S2 needs, the least over criteria, into `out` (cells, draws).

    needed (criteria,): the membership that each needs for S2; below 0 for those that never hold the class. Missing
    memberships hold nothing. The other arrays are those of `scores`.
    """
    for i in range(counts.shape[0]):
        row = out[i]
        fixed = np.float32(2.0)
        for k in range(needed.size):
            v = memberships[k, begin + i]
            sure = needed[k] >= _ZERO and v == v
            for j in range(of.size):
                sure = sure and not (of[j] == k and counts[i, j] > 0)
            if sure:
                fixed = min(fixed, np.float32(v - needed[k]))
        row[:] = fixed
        for j in range(of.size):
            least, v = needed[of[j]], memberships[of[j], begin + i]
            if least < _ZERO or v != v or counts[i, j] == 0:
                continue
            cell = drawn[i, j]
            for d in range(row.size):
                margin = np.float32(cell[d] - least)
                row[d] = margin if margin < row[d] else row[d]


@compiled_no_refcount
def _halves(row: Singles) -> Any:
    """Return the sum of a row, which is overwritten."""
    size = row.size
    while size > 1:
        half = (size + 1) // 2
        for d in range(size - half):
            row[d] += row[half + d]
        size = half
    return row[0]


@compiled_no_refcount
def _off(row: Singles, middle: Any, off: Singles) -> None:
    for d in range(row.size):
        off[d] = row[d] - middle


@compiled_no_refcount
def _squared(off: Singles) -> None:
    for d in range(off.size):
        off[d] *= off[d]


@compiled_no_refcount
def spread(
    drawn: Singles, margins: Singles, n: int, judged: Flags, begin: int, cut: float, tie: float, off: Singles,
    mean: Singles, sd: Singles, reached: Singles,
) -> None:  # fmt: skip
    """Write mean, standard deviation over draws and share that reaches the class, of the first n cells.

    A draw reaches it with a score of the cut and a margin of 0, each to within `tie`; without margins (0, draws) by the
    score alone. Cells stand in the flat arrays from `begin` on; NaN where a cell is not judged. Sums are of
    differences, first from one of the draws, then from their mean, so that equal draws have no spread. `off` is a
    working row (draws).
    """
    draws = drawn.shape[1]
    edge, low = np.float32(cut - tie), np.float32(-tie)
    for i in range(n):
        at = begin + i
        if not judged[at]:
            mean[at], sd[at], reached[at] = np.nan, np.nan, np.nan
            continue
        row = drawn[i]
        hits = 0
        if margins.shape[0]:
            margin = margins[i]
            for d in range(draws):
                hits += (row[d] >= edge) & (margin[d] >= low)
        else:
            for d in range(draws):
                hits += row[d] >= edge
        _off(row, row[0], off)
        middle = np.float32(np.float64(row[0]) + np.float64(_halves(off)) / draws)
        _off(row, middle, off)
        _squared(off)
        mean[at] = middle
        sd[at] = np.float32(np.sqrt(np.float64(_halves(off)) / draws))
        reached[at] = np.float32(hits / draws)


@compiled
def quantiles(drawn: Singles, n: int, judged: Flags, begin: int, levels: Doubles, out: Singles) -> None:
    """Write quantiles over draws of the first n cells into `out` (levels, all cells), straight between draws."""
    last = drawn.shape[1] - 1
    for i in range(n):
        if not judged[begin + i]:
            out[:, begin + i] = np.nan
            continue
        ordered = np.sort(drawn[i])
        for k in range(levels.size):
            place = levels[k] * last
            j = min(int(place), last - 1) if last > 0 else 0
            low, high = np.float64(ordered[j]), np.float64(ordered[min(j + 1, last)])
            out[k, begin + i] = np.float32(low + (place - j) * (high - low))


@compiled_no_refcount
def add_values(
    table: Singles, start: Places, count: Whole, index: Whole, weight: Singles, judged: Flags, first: Places,
    group: Whole, share: Doubles, layer: int, sums: Doubles, ground: Doubles,
) -> None:  # fmt: skip
    """Add the drawn values of a layer to the groups that cells lie in, unjudged: sums (groups, layers, draws).

    `ground` (groups, layers) grows by the shares of the cells that have a value.
    """
    for i in range(judged.size):
        if not judged[i] or count[i] == 0:
            continue
        for n in range(first[i], first[i + 1]):
            part, line = share[n], sums[group[n], layer]
            ground[group[n], layer] += part
            for k in range(start[i], start[i] + count[i]):
                one, by = table[index[k]], part * np.float64(weight[k])
                for d in range(line.size):
                    line[d] += by * np.float64(one[d])


@compiled_no_refcount
def add(
    suitability: Singles, drawn: Singles, counts: Whole, of: Places, memberships: Singles, judged: Flags, begin: int,
    first: Places, group: Whole, share: Doubles, sums: Doubles,
) -> None:  # fmt: skip
    """Add cells to the groups they lie in: sums (groups, 1 + uncertain criteria, draws), of suitability first.

    Cell i of the flat arrays lies in groups group[first[i]] up to first[i + 1], with these shares of itself.
    """
    for i in range(counts.shape[0]):
        at = begin + i
        if not judged[at]:
            continue
        for n in range(first[at], first[at + 1]):
            part, to = share[n], sums[group[n]]
            line, cell = to[0], suitability[i]
            for d in range(line.size):
                line[d] += part * np.float64(cell[d])
            for j in range(of.size):
                line = to[1 + j]
                if counts[i, j] > 0:
                    one = drawn[i, j]
                    for d in range(line.size):
                        line[d] += part * np.float64(one[d])
                else:
                    value = np.float64(memberships[of[j], at])
                    if value == value:
                        for d in range(line.size):
                            line[d] += part * value
