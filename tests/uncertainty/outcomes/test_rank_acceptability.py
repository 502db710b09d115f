"""Rank acceptability against exact areas of weights, and what must not change it."""

from itertools import pairwise, permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon

from underoak.base.errors import UnderoakError
from underoak.overlay import Rules, combine
from underoak.uncertainty import ParcelCells, WeightDistribution, rank_acceptability

TRIANGLE = Polygon([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)])  # weights (w1, w2, 1 - w1 - w2)
FAR = 10.0


def where_positive(a, b, c):
    """The half-plane a w1 + b w2 + c >= 0 as a large rectangle."""
    along, across = np.array([-b, a]) / np.hypot(a, b), np.array([a, b]) / np.hypot(a, b)
    foot = -c * np.array([a, b]) / (a * a + b * b)
    corners = [foot + FAR * along, foot + FAR * (along + across), foot + FAR * (across - along), foot - FAR * along]
    return Polygon(corners)


def better(one, other):
    """The weights under which one parcel of three criteria is better than another."""
    d = np.asarray(one) - np.asarray(other)
    return where_positive(d[0] - d[2], d[1] - d[2], d[2])


def ranks_by_area(parcels, among=TRIANGLE):
    """Exact shares of ranks and central weights: the areas and centres of gravity of the weights of every order."""
    n = len(parcels)
    b, centre = np.zeros((n, n)), np.zeros((n, 3))
    for order in permutations(range(n)):
        region = among
        for i, j in pairwise(order):
            region = region.intersection(better(parcels[i], parcels[j]))
        share = region.area / among.area
        for rank, i in enumerate(order):
            b[i, rank] += share
        if share > 0.0:
            x, y = region.centroid.coords[0]
            centre[order[0]] += share * np.array([x, y, 1.0 - x - y])
    with np.errstate(invalid="ignore"):
        return b, centre / b[:, :1]


def ranks_by_crossings(parcels):
    """Exact shares of ranks under two criteria: orders change only where two parcels cross."""
    m = np.asarray(parcels)
    cuts = {0.0, 1.0}
    for i in range(len(m)):
        for j in range(i):
            d = m[i] - m[j]
            if d[0] != d[1] and 0.0 < d[1] / (d[1] - d[0]) < 1.0:
                cuts.add(d[1] / (d[1] - d[0]))
    ends = np.array(sorted(cuts))
    b = np.zeros((len(m), len(m)))
    for start, end in pairwise(ends):
        w = 0.5 * (start + end)
        for rank, i in enumerate(np.argsort(-(m @ [w, 1.0 - w]))):
            b[i, rank] += end - start
    return b


def agree(found, exact, draws, times=4.5):
    assert (np.abs(found - exact) <= times * np.sqrt(exact * (1.0 - exact) / draws) + 1e-9).all()


@pytest.mark.parametrize("seed", range(4))
def test_three_criteria_agree_with_the_areas_of_the_weights(seed):
    parcels = np.random.default_rng(seed).random((5, 3))
    exact, centre = ranks_by_area(parcels)
    found = rank_acceptability(parcels, draws=40_000, seed=seed)
    agree(found.shares, exact, 40_000)
    often = exact[:, 0] > 0.02
    np.testing.assert_allclose(found.central_weights[often], centre[often], atol=0.02)
    assert np.isnan(found.central_weights[found.first == 0.0]).all()


def test_two_criteria_agree_with_the_crossings_of_the_parcels():
    parcels = np.random.default_rng(5).random((12, 2))
    agree(rank_acceptability(parcels, draws=40_000).shares, ranks_by_crossings(parcels), 40_000)


def test_ranked_weights_agree_with_the_areas_of_the_weights():
    parcels = np.random.default_rng(6).random((4, 3))
    ordered = TRIANGLE.intersection(where_positive(1, -1, 0)).intersection(where_positive(1, 2, -1))
    exact, _ = ranks_by_area(parcels, ordered)
    found = rank_acceptability(parcels, draws=40_000, weights=WeightDistribution.ranked([1, 2, 3]))
    agree(found.shares, exact, 40_000)


def test_bounded_weights_agree_with_the_areas_of_the_weights():
    parcels = np.random.default_rng(7).random((4, 3))
    box = Polygon([(0.2, 0.1), (0.6, 0.1), (0.6, 0.5), (0.2, 0.5)])
    within = TRIANGLE.intersection(box).intersection(where_positive(-1, -1, 0.9))  # the third from 0.1 on
    exact, centre = ranks_by_area(parcels, within)
    found = rank_acceptability(
        parcels, draws=40_000, weights=WeightDistribution.bounded([0.2, 0.1, 0.1], [0.6, 0.5, 1.0])
    )
    agree(found.shares, exact, 40_000)
    often = exact[:, 0] > 0.02
    np.testing.assert_allclose(found.central_weights[often], centre[often], atol=0.02)


def test_doubt_of_data_is_the_mean_over_data_and_confidence_its_share():
    data = np.random.default_rng(8).random((10, 4, 3))
    each = [ranks_by_area(parcels) for parcels in data]
    exact = np.mean([b for b, _ in each], axis=0)
    found = rank_acceptability(data, draws=50_000)
    agree(found.shares, exact, 50_000)
    mass = sum(b[:, :1] * np.nan_to_num(centre) for b, centre in each)
    centre = mass / mass.sum(axis=1, keepdims=True)
    np.testing.assert_allclose(found.central_weights, centre, atol=0.01)
    values = np.einsum("dpk,ik->idp", data, found.central_weights)
    shares = [(values[i].argmax(axis=1) == i).mean() for i in range(4)]
    np.testing.assert_allclose(found.confidence, shares, atol=1e-12)


@given(st.integers(2, 8), st.integers(1, 4), st.integers(0, 10**6))
@settings(max_examples=25, deadline=None)
def test_every_parcel_has_a_rank_and_every_rank_a_parcel(parcels, criteria, seed):
    m = np.round(np.random.default_rng(seed).random((parcels, criteria)), 1)  # rounded, so that some tie
    found = rank_acceptability(m, draws=200, seed=seed)
    np.testing.assert_allclose(found.shares.sum(axis=0), 1.0, atol=1e-9)
    np.testing.assert_allclose(found.shares.sum(axis=1), 1.0, atol=1e-9)
    np.testing.assert_allclose(found.shares @ np.arange(1, parcels + 1), found.mean_rank, atol=1e-9)
    assert (found.shares >= 0.0).all()


def test_permuted_parcels_permute_the_shares():
    rng = np.random.default_rng(9)
    data, order = rng.random((3, 9, 4)), rng.permutation(9)
    found, moved = rank_acceptability(data, draws=2000), rank_acceptability(data[:, order], draws=2000)
    for name in ("shares", "mean_rank", "first_error", "central_weights", "confidence"):
        np.testing.assert_array_equal(getattr(moved, name), getattr(found, name)[order])


def test_a_dominated_parcel_is_never_first_and_one_more_changes_no_first():
    rng = np.random.default_rng(10)
    m = rng.random((6, 3))
    worse = np.vstack([m, m[2] - 0.05])
    found = rank_acceptability(worse, draws=3000)
    assert found.first[6] == 0.0
    assert np.isnan(found.confidence[6])
    np.testing.assert_array_equal(found.first[:6], rank_acceptability(m, draws=3000).first)


def test_parcels_that_tie_share_their_ranks():
    found = rank_acceptability([[0.5, 0.5]] * 3 + [[0.1, 0.1]], draws=100)
    np.testing.assert_allclose(found.shares, [[1 / 3, 1 / 3, 1 / 3, 0.0]] * 3 + [[0, 0, 0, 1]], atol=1e-12)
    assert found.mean_rank.tolist() == [2.0, 2.0, 2.0, 4.0]
    np.testing.assert_allclose(found.confidence[:3], 1 / 3)
    np.testing.assert_allclose(found.wins[:3, :3], 0.5)


def test_differences_below_a_millionth_tie():
    found = rank_acceptability([[0.5], [0.5 + 9e-7], [0.5 + 3e-6]], draws=10)
    np.testing.assert_allclose(found.shares, [[0, 0.5, 0.5], [0, 0.5, 0.5], [1, 0, 0]])


def test_wins_are_the_shares_of_better_values():
    m = np.random.default_rng(11).random((4, 3))
    found = rank_acceptability(m, draws=20_000)
    for a, i in enumerate(found.compared):
        for b, j in enumerate(found.compared):
            if i != j:
                area = TRIANGLE.intersection(better(m[i], m[j])).area / TRIANGLE.area
                agree(found.wins[a, b], area, 20_000)
    np.testing.assert_allclose(found.wins + found.wins.T, 1.0, atol=1e-12)
    assert (np.diff(found.mean_rank[found.compared]) >= 0.0).all()


def test_only_the_best_are_looked_at_closely():
    m = np.random.default_rng(12).random((30, 3))
    found = rank_acceptability(m, draws=500, n_compared=4)
    whole = rank_acceptability(m, draws=500)
    assert found.wins.shape == (4, 4)
    assert found.compared.tolist() == whole.compared[:4].tolist()
    np.testing.assert_array_equal(found.wins, whole.wins[:4, :4])
    assert np.isfinite(found.confidence).sum() == 4


def test_parcels_that_are_not_judged_leave_the_ranks_to_the_others():
    m = np.random.default_rng(13).random((5, 3))
    gap = np.insert(m, 2, [np.nan, 1.0, 1.0], axis=0)
    found, others = rank_acceptability(gap, draws=1000), rank_acceptability(m, draws=1000)
    assert np.isnan(found.shares[2]).all()
    assert np.isnan([found.mean_rank[2], found.first_error[2], found.confidence[2]]).all()
    np.testing.assert_array_equal(np.delete(found.shares, 2, axis=0), others.shares)
    assert found.compared.tolist() == [[0, 1, 3, 4, 5][i] for i in others.compared]


def test_missing_in_a_criterion_without_weight_does_not_matter():
    found = rank_acceptability([[0.5, np.nan], [0.4, 1.0]], 50, weights=WeightDistribution.fixed([1, 0]))
    assert found.first.tolist() == [1.0, 0.0]


def test_nothing_judged_gives_nothing():
    found = rank_acceptability(np.full((3, 2), np.nan), draws=20)
    assert found.shares.shape == (3, 0)
    assert np.isnan(found.mean_rank).all()
    assert found.compared.size == 0


def test_scale_multiplies_the_suitability():
    m = np.random.default_rng(14).random((6, 3))
    share = np.array([1.0, 0.9, 0.8, 1.0, 0.5, np.nan])
    scaled, direct = rank_acceptability(m, 1000, scale=share), rank_acceptability(m * share[:, None], 1000)
    np.testing.assert_array_equal(scaled.shares, direct.shares)


def test_the_same_seed_gives_the_same_bytes():
    m = np.random.default_rng(15).random((20, 4)).astype(np.float32)
    a, b, c = (rank_acceptability(m, 1500, seed=seed) for seed in (3, 3, 4))
    assert a.shares.tobytes() == b.shares.tobytes()
    assert a.wins.tobytes() == b.wins.tobytes()
    assert a.shares.tobytes() != c.shares.tobytes()


def test_the_error_of_shares_is_that_of_repetitions():
    m = np.random.default_rng(16).random((5, 3))
    runs = [rank_acceptability(m, 400, seed=seed) for seed in range(200)]
    spread = np.std([run.shares for run in runs], axis=0)
    np.testing.assert_allclose(np.mean([run.error for run in runs], axis=0), spread, rtol=0.2, atol=0.002)
    np.testing.assert_allclose(runs[0].error[:, 0], runs[0].first_error)


def test_the_error_of_first_ranks_knows_that_data_draws_are_few():
    rng = np.random.default_rng(17)
    base = rng.random((4, 3))
    runs = [rank_acceptability(base + 0.3 * rng.normal(size=(20, 4, 3)), 800, seed=seed) for seed in range(150)]
    spread = np.std([run.first for run in runs], axis=0)
    np.testing.assert_allclose(np.mean([run.first_error for run in runs], axis=0), spread, rtol=0.2)
    assert (spread > 2.0 * np.mean([run.error[:, 0] for run in runs], axis=0)).all()


def test_more_data_draws_than_draws_are_read_evenly():
    data = np.zeros((10, 2, 1))
    data[::2, 0], data[1::2, 1] = 1.0, 1.0
    found = rank_acceptability(data, draws=5)
    assert found.data_draws == 5
    assert found.first.tolist() == [1.0, 0.0]  # data draws 0, 2, 4, 6 and 8


def test_of_many_parcels_the_first_ranks_are_in_the_table():
    m = np.random.default_rng(18).random((50, 3))
    found = rank_acceptability(m, 500, max_shares=600)
    whole = rank_acceptability(m, 500)
    assert found.shares.shape == (50, 12)
    np.testing.assert_array_equal(found.shares, whole.shares[:, :12])
    np.testing.assert_array_equal(found.mean_rank, whole.mean_rank)
    np.testing.assert_allclose(found.top(12), whole.top(12))
    with pytest.raises(ValueError, match="first 12 ranks"):
        found.top(13)


RULES = [
    Rules((1, 1, 1), "linear"),
    Rules((1, 1, 1), "linear", missing="renormalise"),
    Rules((1, 1, 1), "geometric"),
    Rules((1, 1, 1), "minimum"),
    Rules((1, 1, 1), "ordered", alpha=1.7),
]


def some_cells(seed, sizes=(3, 1, 7, 4), gap=None):
    rng = np.random.default_rng(seed)
    m = rng.random((sum(sizes), 3))
    if gap is not None:
        m[gap, 1] = np.nan
    return m, rng.uniform(0.2, 1.0, len(m)), np.concatenate(([0], np.cumsum(sizes)))


@pytest.mark.parametrize("rules", RULES, ids=lambda r: f"{r.rule}-{r.missing}")
def test_parcels_of_cells_are_the_means_of_the_rule_on_each_cell(rules):
    m, area, offsets = some_cells(20, gap=5)
    spread = WeightDistribution.dirichlet([0.5, 0.3, 0.2], 10)
    found = rank_acceptability(ParcelCells(m, area, offsets), 300, seed=2, weights=spread, rules=rules)
    b = np.zeros((4, 4))
    for w in spread.draw(300, seed=2):
        scores = combine(m.T, w.tolist(), rules.rule, alpha=rules.alpha, missing=rules.missing)
        known = ~np.isnan(scores)
        value = [np.average(scores[a:z][known[a:z]], weights=area[a:z][known[a:z]]) for a, z in pairwise(offsets)]
        b[np.argsort(-np.array(value)), np.arange(4)] += 1 / 300
    np.testing.assert_allclose(found.shares, b, atol=1e-12)


def test_all_cells_or_their_means_are_the_same_to_the_linear_rule():
    m, area, offsets = some_cells(21)
    means = np.stack([np.average(m[a:z], weights=area[a:z], axis=0) for a, z in pairwise(offsets)])
    cells, direct = rank_acceptability(ParcelCells(m, area, offsets), 2000), rank_acceptability(means, 2000)
    np.testing.assert_array_equal(cells.shares, direct.shares)
    np.testing.assert_allclose(cells.wins, direct.wins)
    np.testing.assert_allclose(cells.confidence, direct.confidence)


def test_cells_with_draws_of_their_data():
    rng = np.random.default_rng(22)
    _, area, offsets = some_cells(22)
    data = rng.random((4, len(area), 3))
    found = rank_acceptability(ParcelCells(data, area, offsets), 400, rules=Rules((1, 1, 1), "geometric"))
    parts = []
    for d in range(4):
        drawn = WeightDistribution.uniform(3).draw(100, seed=1, start=100 * d)
        scores = [combine(data[d].T, w.tolist(), "geometric") for w in drawn]
        values = np.array([[np.average(s[a:z], weights=area[a:z]) for a, z in pairwise(offsets)] for s in scores])
        parts.append((values.argmax(axis=1)[:, None] == np.arange(4)).mean(axis=0))
    np.testing.assert_allclose(found.first, np.mean(parts, axis=0), atol=1e-12)


def test_a_fair_draw_of_cells_is_right_on_average():
    from underoak.uncertainty.outcomes import rank_acceptability_kernels as kernels

    rng = np.random.default_rng(23)
    m = rng.random((60, 3))
    scores = combine(m.T, [0.5, 0.3, 0.2], "geometric")
    found, one = [], np.empty(1)
    for _ in range(4000):
        some = rng.choice(60, 8, replace=False)
        kernels.averaged(scores[some], np.full(8, 7.5), np.array([0, 8]), np.ones(1), one)
        found.append(one[0])
    assert np.mean(found) == pytest.approx(scores.mean(), abs=4.0 * np.std(found) / np.sqrt(4000))


def test_parcels_without_cells_are_not_judged():
    m, area, _ = some_cells(24)
    found = rank_acceptability(ParcelCells(m, area, np.array([0, 8, 8, 15])), 50, rules=RULES[2])
    assert np.isnan(found.mean_rank).tolist() == [False, True, False]


def test_order_weights_need_fixed_equal_weights():
    m, area, offsets = some_cells(25)
    rules = Rules((1, 1, 1), "ordered", order_weights=(0.5, 0.3, 0.2))
    fixed = rank_acceptability(
        ParcelCells(m, area, offsets), 5, weights=WeightDistribution.fixed([1, 1, 1]), rules=rules
    )
    scores = combine(m.T, [1, 1, 1], "ordered", order_weights=(0.5, 0.3, 0.2))
    best = np.argmax([np.average(scores[a:z], weights=area[a:z]) for a, z in pairwise(offsets)])
    assert fixed.first[best] == 1.0
    with pytest.raises(UnderoakError, match="E316"):
        rank_acceptability(ParcelCells(m, area, offsets), 5, rules=rules)


def test_what_does_not_fit_is_refused():
    m, area, offsets = some_cells(26)
    with pytest.raises(ValueError, match="needs the cells"):
        rank_acceptability(m, 5, rules=Rules((1, 1, 1), "geometric"))
    with pytest.raises(ValueError, match="do not fit"):
        rank_acceptability(ParcelCells(m, area[1:], offsets), 5)
    with pytest.raises(ValueError, match="weights of 2"):
        rank_acceptability(m, 5, weights=WeightDistribution.uniform(2))
    with pytest.raises(ValueError, match="scale"):
        rank_acceptability(m, 5, scale=[1.0])
    with pytest.raises(ValueError, match="not \\("):
        rank_acceptability([0.5, 0.6], 5)
    with pytest.raises(ValueError, match="0 draws"):
        rank_acceptability(m, 0)


def test_a_tie_goes_on_across_the_last_rank_of_the_table():
    found = rank_acceptability(np.full((12, 2), 0.5), 50, max_shares=1)
    np.testing.assert_allclose(found.shares, np.full((12, 10), 1 / 12), atol=1e-12)


def test_two_data_draws_that_disagree_leave_all_open():
    found = rank_acceptability([[[1.0], [0.0]], [[0.0], [1.0]]], 100)
    assert found.first.tolist() == [0.5, 0.5]
    np.testing.assert_allclose(found.first_error, 0.5)  # the sd of (1, 0) over the root of 2
