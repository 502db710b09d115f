"""Weights from pairwise ratios of criteria, and the inconsistency of the ratios."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np
import numpy.typing as npt

from underoak.base.errors import Fault, Problems, UnderoakError, did_you_mean
from underoak.overlay.weights import Weights, normalise

Method = Literal["principal eigenvector", "log least squares"]
Ratios = dict[tuple[int, int], float]  # (i, j) with i < j: how many times as important i is as j

# Mean consistency index of random matrices of n = 1, 2, ... 10. Saaty (1980), from memory.
RANDOM_INDEX = (0.0, 0.0, 0.58, 0.90, 1.12, 1.24, 1.32, 1.41, 1.45, 1.49)
TABLE = "random indices of Saaty 1980, that of 10 criteria held for more"
_AGREE = 1e-9  # log differences below this are rounding
_ROUNDING = 0.02  # a ratio and its reciprocal may be written rounded, 3 and 0.33


@dataclass(frozen=True, slots=True)
class PairwiseResult:
    """A set of weights from pairwise ratios, with the method and the ratios that contradict each other most."""

    names: tuple[str, ...]
    weights: Weights
    method: Method
    consistency_ratio: float | None  # None when some pairs are not given
    rms_residual: float  # of ln(ratio) - ln(weight / weight), over the given pairs
    worst_triple: tuple[str, str, str] | None  # None where no three compared with each other disagree
    worst: str  # the greatest disagreement in words; empty when there is none

    @property
    def inconsistency(self) -> float:
        """Return what `max_inconsistency` limits: the consistency ratio, or exp(RMS residual) - 1 if incomplete."""
        return math.expm1(self.rms_residual) if self.consistency_ratio is None else self.consistency_ratio

    @property
    def table(self) -> str | None:
        """Return the source of the random indices behind the consistency ratio."""
        return None if self.consistency_ratio is None else TABLE


def random_index(n: int) -> float:
    """Return the random index of n criteria; above ten that of ten, which is a little too strict.

    >>> random_index(3), random_index(12)
    (0.58, 1.49)
    """
    return RANDOM_INDEX[min(n, len(RANDOM_INDEX)) - 1]


def pairwise_weights(matrix: npt.ArrayLike) -> tuple[npt.NDArray[np.float64], float]:
    """Return weights and consistency ratio of a full matrix: entry (i, j) is how many times as important i is as j.

    The weights are the principal right eigenvector, the ratio is (lambda - n) / (n - 1) over the random index; 0 for
    one or two criteria, which cannot be inconsistent. Saaty (1980), from memory.

    >>> weights, ratio = pairwise_weights([[1, 3, 5], [1 / 3, 1, 3], [1 / 5, 1 / 3, 1]])
    >>> weights.round(3).tolist(), round(ratio, 4)
    ([0.637, 0.258, 0.105], 0.0332)

    Raises:
        UnderoakError: E314 entries that are not above 0, or not each other's reciprocals (to 2 %).
        ValueError: when the matrix is not square.
    """
    a = np.asarray(matrix, np.float64)
    n = len(a) if a.ndim else 0
    if n == 0 or a.shape != (n, n):
        raise ValueError(f"a pairwise matrix is square, not {a.shape}")
    problems = Problems()
    for i in range(n):
        for j in range(i, n):
            where = f"row {i + 1}, column {j + 1}"
            if not (0.0 < a[i, j] < math.inf and 0.0 < a[j, i] < math.inf):
                problems.add(
                    "E314", f"ratios {a[i, j]:g} and {a[j, i]:g} must be above 0", where, "write ratios like 3"
                )
            elif abs(a[i, j] * a[j, i] - 1.0) > (_ROUNDING if j > i else 1e-12):
                what = f"{a[i, j]:g} and {a[j, i]:g} contradict each other"
                problems.add("E314", what, where, "the entry across the diagonal is one over the ratio, on it is 1")
    problems.stop_if_any()
    values, vectors = np.linalg.eig(a)
    principal = int(np.argmax(values.real))
    weights = normalise(np.abs(vectors[:, principal].real).tolist())
    if n <= 2:
        return np.array(weights), 0.0
    index = (float(values[principal].real) - n) / (n - 1)
    return np.array(weights), max(index / random_index(n), 0.0)


def log_least_squares(n: int, ratios: Ratios) -> Weights:
    """Return weights whose ratios fit the given ones best by squared log differences; pairs must link all.

    For a complete matrix these are the geometric means of its rows. Crawford and Williams (1985), from memory.

    >>> [round(w, 4) for w in log_least_squares(3, {(0, 1): 2.0, (1, 2): 2.0})]
    [0.5714, 0.2857, 0.1429]
    """
    normal, right = np.full((n, n), 1.0), np.zeros(n)  # the ones hold the mean log at 0, and alter nothing else
    for (i, j), ratio in ratios.items():
        step = math.log(ratio)
        normal[i, i] += 1.0
        normal[j, j] += 1.0
        normal[i, j] -= 1.0
        normal[j, i] -= 1.0
        right[i] += step
        right[j] -= step
    logs = np.linalg.solve(normal, right)
    return normalise(np.exp(logs - logs.max()).tolist())


def pairwise_from_ratios(names: Sequence[str], triples: Iterable[tuple[str, str, float]]) -> PairwiseResult:
    """Return weights from triples (a, b, ratio): "a is `ratio` times as important as b"; the reverse is implied.

    With every pair given: the principal eigenvector and its consistency ratio. With fewer, which must link all names:
    log least squares, with the RMS log residual in place of a consistency ratio.

    >>> result = pairwise_from_ratios(["ph", "water", "slope"], [("ph", "water", 2), ("water", "slope", 2)])
    >>> [round(w, 4) for w in result.weights], result.method, result.inconsistency < 1e-12
    ([0.5714, 0.2857, 0.1429], 'log least squares', True)

    Raises:
        UnderoakError: E312 names that no chain of pairs links, E314 a ratio that is not above 0, a pair given twice, a
            name compared with itself, E315 a name that is not among `names`.
    """
    names = tuple(names)
    ratios = _checked(names, triples)
    n = len(names)
    _check_links(names, ratios)
    if len(ratios) == n * (n - 1) // 2:
        matrix = np.eye(n)
        for (i, j), ratio in ratios.items():
            matrix[i, j], matrix[j, i] = ratio, 1.0 / ratio
        principal, consistency = pairwise_weights(matrix)
        return _result(names, tuple(principal.tolist()), "principal eigenvector", consistency, ratios)
    return _result(names, log_least_squares(n, ratios), "log least squares", None, ratios)


def check_consistency(result: PairwiseResult, max_inconsistency: float = 0.10) -> PairwiseResult:
    """Return the result if its inconsistency is not above the bound (0.10: Saaty 1980, from memory).

    >>> steady = pairwise_from_ratios(["a", "b", "c"], [("a", "b", 2), ("b", "c", 2), ("a", "c", 4)])
    >>> check_consistency(steady).weights == steady.weights
    True

    Raises:
        UnderoakError: E313 otherwise, naming the three criteria (or the pair) that disagree most.
    """
    if result.inconsistency > max_inconsistency:
        measure = "exp(RMS residual) - 1" if result.consistency_ratio is None else "consistency ratio"
        what = (
            f"the ratios disagree too much: {measure} {result.inconsistency:.3g} is above "
            f"max_inconsistency {max_inconsistency:g}; {result.worst}"
        )
        raise UnderoakError(Fault("E313", what, "weights.pairwise", "revise these ratios"))
    return result


def _checked(names: tuple[str, ...], triples: Iterable[tuple[str, str, float]]) -> Ratios:
    """Return the ratios by index, i < j; raise every fault at once."""
    problems = Problems()
    place = {name: i for i, name in enumerate(names)}
    if len(place) < len(names):
        problems.add("E314", "a criterion stands twice among the names", fix="name each criterion once")
    ratios: Ratios = {}
    for a, b, ratio in triples:
        where = f"pair {a}, {b}"
        unknown = [name for name in (a, b) if name not in place]
        for name in unknown:
            problems.add("E315", f'"{name}" is not a criterion', where, did_you_mean(name, names, "name a criterion"))
        if not 0.0 < ratio < math.inf:
            problems.add("E314", f"a ratio cannot be {ratio:g}", where, "write how many times as important, above 0")
        elif a == b:
            problems.add("E314", "a criterion is compared with itself", where, "compare two criteria")
        elif not unknown:
            i, j = place[a], place[b]
            pair, value = ((i, j), float(ratio)) if i < j else ((j, i), 1.0 / ratio)
            if pair in ratios:
                agree = math.isclose(ratios[pair], value, rel_tol=1e-9)
                what = "the pair is given twice" + ("" if agree else ", and the two ratios contradict each other")
                problems.add("E314", what, where, "keep one of the two; the reverse is implied")
            ratios.setdefault(pair, value)
    problems.stop_if_any()
    return ratios


def _check_links(names: tuple[str, ...], ratios: Ratios) -> None:
    """Raise E312 unless chains of pairs link all names."""
    group = list(range(len(names)))
    for i, j in ratios:
        old, new = group[j], group[i]
        group = [new if g == old else g for g in group]
    largest = max(set(group), key=lambda g: (group.count(g), -group.index(g)), default=0)
    loose = [name for name, g in zip(names, group, strict=True) if g != largest]
    if loose:
        what = f"no chain of pairs links {', '.join(loose)} to the other criteria"
        fix = "compare each of them, or one of a linked few, with one of the others"
        raise UnderoakError(Fault("E312", what, "weights.pairwise", fix))


def _result(
    names: tuple[str, ...], weights: Weights, method: Method, consistency: float | None, ratios: Ratios
) -> PairwiseResult:
    logs = {pair: math.log(ratio) for pair, ratio in ratios.items()}
    residuals = {(i, j): abs(log - math.log(weights[i] / weights[j])) for (i, j), log in logs.items()}
    rms = math.sqrt(math.fsum(r * r for r in residuals.values()) / len(residuals)) if residuals else 0.0
    closed = [t for t in combinations(range(len(names)), 3) if all(pair in logs for pair in combinations(t, 2))]
    gaps = {(i, j, k): abs(logs[i, j] + logs[j, k] - logs[i, k]) for i, j, k in closed}
    triple, worst = None, ""
    if gaps and max(gaps.values()) > _AGREE:
        i, j, k = max(gaps, key=lambda t: gaps[t])
        triple = (names[i], names[j], names[k])
        worst = (
            f"worst triple {', '.join(triple)}: {names[i]} is {ratios[i, j]:.3g} times {names[j]} and that "
            f"{ratios[j, k]:.3g} times {names[k]}, which makes {ratios[i, j] * ratios[j, k]:.3g}, "
            f"but {ratios[i, k]:.3g} is given"
        )
    if residuals and max(residuals.values()) > max([_AGREE, *gaps.values()]):  # a longer chain contradicts itself more
        i, j = max(residuals, key=lambda pair: residuals[pair])
        fit = weights[i] / weights[j]
        worst = f"worst pair {names[i]}, {names[j]}: {ratios[i, j]:.3g} is given, the weights give {fit:.3g}"
    return PairwiseResult(names, weights, method, consistency, rms, triple, worst)
