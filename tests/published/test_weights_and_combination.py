"""Weights and combination against published worked examples and exact results; each names its source.

"From memory" means that the published figures were recalled, not re-read, and agree with a fresh computation.
"""

from __future__ import annotations

import math
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from underoak.base.errors import UnderoakError
from underoak.overlay import (
    check_consistency,
    combine,
    dispersion,
    judge,
    orness,
    pairwise_from_ratios,
    pairwise_weights,
    rank_order_centroid,
    rank_reciprocal,
    rank_sum,
)
from underoak.overlay.judge import Rules
from underoak.overlay.pairwise import log_least_squares, random_index

Matrix = npt.NDArray[np.float64]


def from_upper(*rows: list[float]) -> Matrix:
    """The reciprocal matrix of its upper triangle."""
    n = len(rows) + 1
    matrix = np.eye(n)
    for i, row in enumerate(rows):
        matrix[i, i + 1 :] = row
        matrix[i + 1 :, i] = 1.0 / np.array(row)
    return matrix


def ratios_of(matrix: Matrix) -> dict[tuple[int, int], float]:
    return {(i, j): float(matrix[i, j]) for i, j in combinations(range(len(matrix)), 2)}


TEACHING = from_upper([3, 5], [3])
CHAIRS_1 = from_upper([5, 6, 7], [4, 6], [4])
CHAIRS_2 = from_upper([4, 6, 7], [3, 4], [2])
WEALTH = from_upper(
    [4, 9, 6, 6, 5, 5], [7, 5, 5, 3, 4], [1 / 5, 1 / 5, 1 / 7, 1 / 5], [1, 1 / 3, 1 / 3], [1 / 3, 1 / 3], [2]
)
DRINKS = from_upper(
    [9, 5, 2, 1, 1, 1 / 2], [1 / 3, *[1 / 9] * 4], [1 / 3, 1 / 4, 1 / 3, 1 / 9], [1 / 2, 1, 1 / 3], [2, 1 / 2], [1 / 3]
)
HOUSE = from_upper(
    [5, 3, 7, 6, 6, 1 / 3, 1 / 4],
    [1 / 3, 5, 3, 3, 1 / 5, 1 / 7],
    [6, 3, 4, 6, 1 / 5],
    [1 / 3, 1 / 4, 1 / 7, 1 / 8],
    [1 / 2, 1 / 5, 1 / 6],
    [1 / 5, 1 / 6],
    [1 / 2],
)
HOUSE_MENDED = HOUSE.copy()
HOUSE_MENDED[2, 6], HOUSE_MENDED[6, 2] = 1 / 2, 2.0


def test_random_indices() -> None:
    """Saaty 1980; n = 1 to 8 read in a journal table, 9 and 10 from memory."""
    assert [random_index(n) for n in range(1, 11)] == [0, 0, 0.58, 0.90, 1.12, 1.24, 1.32, 1.41, 1.45, 1.49]


@pytest.mark.parametrize(
    ("matrix", "weights", "principal", "ratio"),
    [
        # standard teaching matrix, from memory
        pytest.param(TEACHING, [0.6370, 0.2583, 0.1047], 3.0385, 0.0332, id="teaching"),
        # brightness of four chairs, first observer: Saaty 1977 and 1980, from memory (printed .61 .24 .10 .05, 4.39)
        pytest.param(CHAIRS_1, [0.6187, 0.2353, 0.1009, 0.0451], 4.3907, 0.1447, id="chairs, observer 1"),
        # the same, second observer (printed .62 .22 .10 .06, 4.10)
        pytest.param(CHAIRS_2, [0.6168, 0.2238, 0.0972, 0.0621], 4.1022, 0.0379, id="chairs, observer 2"),
        # wealth of seven nations: Saaty 1980, from memory (printed .427 .230 .021 .052 .052 .123 .094, 7.61)
        pytest.param(
            WEALTH, [0.4271, 0.2303, 0.0208, 0.0524, 0.0524, 0.1227, 0.0943], 7.6077, 0.0767, id="wealth of nations"
        ),
        # drinks: Saaty 2008, from memory (printed .177 .019 .042 .116 .190 .129 .327, ratio .022)
        pytest.param(DRINKS, [0.1775, 0.0191, 0.0418, 0.1164, 0.1896, 0.1288, 0.3268], 7.1766, 0.0223, id="drinks"),
        # choice of a house: Saaty 1990, from memory (printed 9.669, .169)
        pytest.param(
            HOUSE, [0.1730, 0.0540, 0.1881, 0.0175, 0.0310, 0.0363, 0.1668, 0.3332], 9.6689, 0.1691, id="house"
        ),
        # the same with one entry mended: later papers of Saaty, from memory (printed .083 with another index)
        pytest.param(
            HOUSE_MENDED,
            [0.1747, 0.0620, 0.1032, 0.0193, 0.0338, 0.0412, 0.2207, 0.3450],
            8.8117,
            0.0822,
            id="house, mended",
        ),
    ],
)
def test_principal_eigenvector(matrix: Matrix, weights: list[float], principal: float, ratio: float) -> None:
    found, consistency = pairwise_weights(matrix)
    n = len(matrix)
    np.testing.assert_allclose(found, weights, atol=5e-4)
    assert consistency == pytest.approx(ratio, abs=5e-4)
    assert n + consistency * random_index(n) * (n - 1) == pytest.approx(principal, abs=5e-4)
    np.testing.assert_allclose(matrix @ found / found, principal, atol=5e-4)


def test_brightness_follows_the_inverse_square() -> None:
    """The truth behind the chairs at 9, 15, 21 and 28 yards: Saaty 1980, from memory."""
    truth = np.array([9.0, 15.0, 21.0, 28.0]) ** -2
    truth /= truth.sum()
    np.testing.assert_allclose(truth, [0.6072, 0.2186, 0.1115, 0.0627], atol=5e-5)
    np.testing.assert_allclose(pairwise_weights(CHAIRS_2)[0], truth, atol=0.015)


@pytest.mark.parametrize(
    ("matrix", "is_accepted"), [(CHAIRS_1, False), (CHAIRS_2, True), (HOUSE, False), (HOUSE_MENDED, True)]
)
def test_a_ratio_above_a_tenth_is_flagged(matrix: Matrix, is_accepted: bool) -> None:
    """The bound 0.10: Saaty 1980, from memory."""
    names = [f"c{i}" for i in range(len(matrix))]
    result = pairwise_from_ratios(names, [(names[i], names[j], r) for (i, j), r in ratios_of(matrix).items()])
    assert result.consistency_ratio == pytest.approx(pairwise_weights(matrix)[1], abs=1e-12)
    if is_accepted:
        assert check_consistency(result, 0.10) is result
    else:
        with pytest.raises(UnderoakError, match="E313"):
            check_consistency(result, 0.10)


def test_the_entry_mended_lies_in_the_worst_triple() -> None:
    """The house: Saaty 1990, from memory, mends neighbourhood against condition (third and seventh)."""
    names = [f"c{i}" for i in range(1, 9)]
    result = pairwise_from_ratios(names, [(names[i], names[j], r) for (i, j), r in ratios_of(HOUSE).items()])
    assert result.worst_triple is not None
    assert {"c3", "c7"} <= set(result.worst_triple)


def test_eigenvector_and_geometric_mean_of_rows_differ() -> None:
    """The house (Saaty 1990, from memory) by log least squares; derived. The two agree for n = 3."""
    found = log_least_squares(8, ratios_of(HOUSE))
    np.testing.assert_allclose(found, [0.1748, 0.0626, 0.1487, 0.0193, 0.0356, 0.0423, 0.1670, 0.3496], atol=5e-4)
    means = np.prod(HOUSE, axis=1) ** (1 / 8)
    np.testing.assert_allclose(found, means / means.sum(), atol=1e-12)
    assert int(np.argmax(np.abs(np.array(found) - pairwise_weights(HOUSE)[0]))) == 2
    np.testing.assert_allclose(log_least_squares(3, ratios_of(TEACHING)), pairwise_weights(TEACHING)[0], atol=1e-12)


@pytest.mark.parametrize("n", [3, 5, 8])
def test_a_consistent_matrix_gives_its_weights_back(n: int) -> None:
    """Exact by definition."""
    w = np.random.default_rng(n).uniform(0.1, 1.0, n)
    weights, ratio = pairwise_weights(w[:, None] / w)
    np.testing.assert_allclose(weights, w / w.sum(), atol=1e-10)
    assert ratio == pytest.approx(0.0, abs=1e-10)


@pytest.mark.parametrize(
    ("n", "pairs", "expected"),
    [
        (3, {(0, 1): 2, (1, 2): 2}, [4 / 7, 2 / 7, 1 / 7]),
        (4, {(0, 1): 2, (0, 2): 4, (1, 2): 2, (1, 3): 4, (2, 3): 2}, [8 / 15, 4 / 15, 2 / 15, 1 / 15]),
        (4, {(0, 1): 2, (1, 2): 3, (2, 3): 2, (0, 3): 6}, [0.507497, 0.301759, 0.119618, 0.071125]),
    ],
)
def test_incomplete_pairs(n: int, pairs: dict[tuple[int, int], float], expected: list[float]) -> None:
    """Log least squares: exact for consistent pairs; by symmetry for the ring 2, 3, 2, 6, each edge off by 2^(1/4)."""
    names = list("abcd"[:n])
    result = pairwise_from_ratios(names, [(names[i], names[j], r) for (i, j), r in pairs.items()])
    assert result.method == "log least squares"
    np.testing.assert_allclose(result.weights, expected, atol=1e-6 if len(pairs) == 4 else 1e-10)


def test_pairs_that_do_not_link_have_no_weights() -> None:
    """The graph must be connected for the weights to be unique; derived."""
    with pytest.raises(UnderoakError, match=r"E312 .*c, d"):
        pairwise_from_ratios(list("abcd"), [("a", "b", 2), ("c", "d", 2)])


@pytest.mark.parametrize(
    "expected",
    [
        [0.75, 0.25],
        [0.6111, 0.2778, 0.1111],
        [0.5208, 0.2708, 0.1458, 0.0625],
        [0.4567, 0.2567, 0.1567, 0.0900, 0.0400],
        [0.4083, 0.2417, 0.1583, 0.1028, 0.0611, 0.0278],
    ],
)
def test_rank_order_centroid(expected: list[float]) -> None:
    """Barron and Barrett 1996, from memory; derived from their formula."""
    np.testing.assert_allclose(rank_order_centroid(len(expected)), expected, atol=5e-5)


def test_rank_sum_and_reciprocal() -> None:
    """Stillwell et al. 1981, from memory; derived from their formulas."""
    np.testing.assert_allclose(rank_sum(4), [0.4, 0.3, 0.2, 0.1], atol=1e-12)
    np.testing.assert_allclose(rank_reciprocal(4), [0.48, 0.24, 0.16, 0.12], atol=1e-12)


def ordered(m: list[float], v: list[float]) -> float:
    return float(combine(m, [1.0] * len(m), "ordered", order_weights=v))


@pytest.mark.parametrize(
    ("m", "v", "expected"),
    [
        # worked example of Yager 1988, from memory
        ([0.6, 1.0, 0.3, 0.5], [0.2, 0.3, 0.1, 0.4], 0.55),
        # derived
        ([0.7, 1.0, 0.3, 0.6], [0.2, 0.3, 0.1, 0.4], 0.59),
        ([0.7, 1.0, 0.3, 0.6], [0.4, 0.3, 0.2, 0.1], 0.76),
        # the limits: best, worst, mean
        ([0.7, 1.0, 0.3, 0.6], [1.0, 0.0, 0.0, 0.0], 1.0),
        ([0.7, 1.0, 0.3, 0.6], [0.0, 0.0, 0.0, 1.0], 0.3),
        ([0.7, 1.0, 0.3, 0.6], [0.25, 0.25, 0.25, 0.25], 0.65),
    ],
)
def test_ordered_combination(m: list[float], v: list[float], expected: float) -> None:
    assert ordered(m, v) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    ("v", "forgiving", "spread"),
    [
        ([0.4, 0.3, 0.2, 0.1], 2 / 3, 1.279854),
        ([1.0, 0.0, 0.0, 0.0], 1.0, 0.0),
        ([0.0, 0.0, 0.0, 1.0], 0.0, 0.0),
        ([0.25, 0.25, 0.25, 0.25], 0.5, math.log(4)),
    ],
)
def test_orness_and_dispersion(v: list[float], forgiving: float, spread: float) -> None:
    """Yager 1988, from memory; derived from his definitions."""
    assert orness(v) == pytest.approx(forgiving, abs=1e-12)
    assert dispersion(v) == pytest.approx(spread, abs=1e-6)


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ({}, 0.68),
        ({"rule": "geometric"}, 0.632231),
        ({"rule": "minimum"}, 0.3),
        ({"rule": "ordered", "alpha": 0.5}, 0.772995),
        ({"rule": "ordered", "alpha": 1.0}, 0.68),
        ({"rule": "ordered", "alpha": 2.0}, 0.558),
    ],
)
def test_importance_in_the_ordered_combination(options: dict[str, Any], expected: float) -> None:
    """Quantifier r^alpha over running importance: Yager 1996, from memory; derived by hand for one cell."""
    assert combine([0.9, 0.6, 0.3, 0.8], [0.4, 0.3, 0.2, 0.1], **options) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(("rule", "expected"), [("linear", 0.73), ("geometric", 0.711352), ("minimum", 0.5)])
def test_plain_combination(rule: Any, expected: float) -> None:
    """By definition; the geometric mean never exceeds the linear one."""
    assert combine([0.8, 0.5, 0.9], [0.5, 0.3, 0.2], rule) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("rule", "score", "code"), [("linear", 0.775, 3), ("geometric", 0.1**0.25, 3), ("minimum", 0.1, 4)]
)
def test_one_fatal_factor_among_ideal_ones(rule: Any, score: float, code: int) -> None:
    """Ratings 100, 100, 100, 10 of equal weight: a weighted mean of 77.5 must not stand in S1; a choice of method."""
    found = judge(np.float32([1.0, 1.0, 1.0, 0.1]).reshape(4, 1, 1), [[0]], Rules((1, 1, 1, 1), rule))
    assert found.suitability.item() == pytest.approx(score, abs=1e-6)
    assert found.classes.item() == code
    assert found.weakest.item() == found.gainful.item() == 3
