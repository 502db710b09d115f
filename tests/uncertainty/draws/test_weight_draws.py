"""Draws of weights keep to what is known of them."""

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import stats

from underoak.base.errors import UnderoakError
from underoak.overlay import rank_order_centroid
from underoak.uncertainty import WeightDistribution
from underoak.uncertainty.draws import weight_draws as module

SPREADS = [
    WeightDistribution.fixed([3, 1, 1, 0]),
    WeightDistribution.uniform(4),
    WeightDistribution.ranked([2, 1, 2, 4]),
    WeightDistribution.dirichlet([0.5, 0.3, 0.2, 0.0], 40),
    WeightDistribution.bounded([0.1, 0.0, 0.2, 0.1], [0.5, 0.5, 0.6, 0.1]),
]


@pytest.mark.parametrize("spread", SPREADS, ids=lambda s: s.kind)
def test_weights_are_weights(spread):
    w = spread.draw(3000, seed=3)
    assert w.shape == (3000, 4)
    assert (w >= 0.0).all()
    np.testing.assert_allclose(w.sum(axis=1), 1.0, rtol=0, atol=1e-12)


@pytest.mark.parametrize("spread", SPREADS, ids=lambda s: s.kind)
def test_draws_do_not_depend_on_how_they_are_parted(spread):
    whole = spread.draw(5000, seed=9)
    parts = [
        spread.draw(stop - start, seed=9, start=start)
        for start, stop in ((0, 7), (7, 1024), (1024, 3100), (3100, 5000))
    ]
    assert (np.concatenate(parts) == whole).all()
    assert spread.draw(0, seed=9).shape == (0, 4)


@pytest.mark.parametrize("spread", SPREADS[1:], ids=lambda s: s.kind)
def test_seeds_and_blocks_differ(spread):
    a, b = spread.draw(2048, seed=1), spread.draw(1024, seed=2)
    assert (a[:1024] != b).any(axis=1).all()
    assert (a[:1024] != a[1024:]).any(axis=1).all()


def test_ranks_are_kept_and_the_mean_is_the_centroid():
    w = WeightDistribution.ranked([1, 3, 2, 4]).draw(200_000)[:, [0, 2, 1, 3]]
    assert (np.diff(w, axis=1) <= 0.0).all()
    np.testing.assert_allclose(w.mean(axis=0), rank_order_centroid(4), atol=0.002)


def test_equal_ranks_are_alike():
    w = WeightDistribution.ranked([2, 1, 2]).draw(200_000)
    assert (w[:, 1] >= w[:, [0, 2]].max(axis=1)).all()
    assert np.mean(w[:, 0] > w[:, 2]) == pytest.approx(0.5, abs=0.005)
    everything_equal = WeightDistribution.ranked([1, 1, 1]).draw(200_000)
    np.testing.assert_allclose(everything_equal.var(axis=0), 1 / 18, atol=0.001)


@given(st.lists(st.floats(0.01, 1.0), min_size=2, max_size=6), st.floats(0.05, 500.0))
@settings(max_examples=20, deadline=None)
def test_dirichlet_has_its_mean_and_spread(weights, strength):
    centre = np.array(weights) / sum(weights)
    w = WeightDistribution.dirichlet(weights, strength).draw(20_480, seed=5)
    sd = np.sqrt(centre * (1.0 - centre) / (strength + 1.0))
    assert (np.abs(w.mean(axis=0) - centre) < 5.0 * sd / np.sqrt(len(w)) + 1e-12).all()
    np.testing.assert_allclose(w.std(axis=0), sd, rtol=0.2, atol=0.005)


def test_dirichlet_of_ones_is_uniform_and_a_weight_of_nothing_stays_nothing():
    w = WeightDistribution.dirichlet([1, 1, 1], 3.0).draw(200_000)
    assert stats.kstest(w[:, 0], stats.beta(1, 2).cdf).pvalue > 1e-3
    assert (WeightDistribution.dirichlet([1, 0, 1], 3.0).draw(100)[:, 1] == 0.0).all()


def share_of_weights_within(low, high):
    """Of all weights that keep the lower bounds, the share that keeps the upper ones, too: by plain draws."""
    weights = low + (1.0 - sum(low)) * np.random.default_rng(3).dirichlet(np.ones(len(low)), 50_000)
    return (weights <= high).all(axis=1).mean()


@given(st.lists(st.tuples(st.floats(0.0, 0.4), st.floats(0.0, 0.6)), min_size=2, max_size=7))
@example([(0.375, 0.125), (0.3125, 1.17e-7), (0.125, 0.375), (0.0625, 0.4375), (0.0625, 0.4375)])
@settings(max_examples=60, deadline=None)
def test_bounds_are_kept_or_refused(pairs):
    low, high = [a for a, _ in pairs], [a + b for a, b in pairs]
    try:
        w = WeightDistribution.bounded(low, high).draw(500, seed=1)
    except UnderoakError:
        assert sum(low) > 1.0 or sum(high) < 1.0 or share_of_weights_within(low, high) < 0.01
    else:
        assert (w >= np.array(low) - 1e-9).all()
        assert (w <= np.array(high) + 1e-9).all()
        np.testing.assert_allclose(w.sum(axis=1), 1.0, rtol=0, atol=1e-12)


def test_bounds_that_bind_nothing_are_no_bounds():
    w = WeightDistribution.bounded([0, 0, 0], [1, 1, 1]).draw(100_000)
    assert stats.kstest(w[:, 2], stats.beta(1, 2).cdf).pvalue > 1e-3


@pytest.mark.parametrize("propose", module._PROPOSALS, ids=lambda p: p.__name__)
def test_every_way_to_propose_draws_uniformly(propose):
    spread = WeightDistribution.bounded([0.1, 0.0, 0.2], [0.5, 0.5, 0.6])
    stream = np.random.default_rng(8)
    proposed = propose(spread, stream.random((200_000, 3)))
    drawn = proposed[module._fits(spread, proposed)]
    plain = stream.dirichlet([1, 1, 1], 600_000)
    plain = plain[((plain >= spread.first) & (plain <= spread.second)).all(axis=1)]
    for k in range(3):
        assert stats.ks_2samp(drawn[:20_000, k], plain[:20_000, k]).pvalue > 1e-3


def test_two_criteria_within_bounds_are_uniform_on_what_both_allow():
    w = WeightDistribution.bounded([0.2, 0.1], [0.7, 0.6]).draw(50_000)
    assert stats.kstest(w[:, 0], stats.uniform(0.4, 0.3).cdf).pvalue > 1e-3


@pytest.mark.parametrize(
    ("low", "high", "only"),
    [
        ([0.2, 0.3, 0.5], [0.2, 0.3, 0.5], [0.2, 0.3, 0.5]),
        ([0.2, 0.3, 0.5], [0.9, 0.9, 0.9], [0.2, 0.3, 0.5]),
        ([0.0, 0.0, 0.0], [0.2, 0.3, 0.5], [0.2, 0.3, 0.5]),
        ([0.2, 0.3, 0.0], [0.2, 0.3, 1.0], [0.2, 0.3, 0.5]),
    ],
)
def test_bounds_that_leave_one_set_give_it(low, high, only):
    np.testing.assert_allclose(WeightDistribution.bounded(low, high).draw(3), [only] * 3, atol=1e-12)


def test_narrow_bounds_around_many_weights_can_be_drawn():
    centre = np.full(20, 0.05)
    w = WeightDistribution.bounded(centre * 0.8, centre * 1.2).draw(2000)
    np.testing.assert_allclose(w.mean(axis=0), centre, atol=0.001)


@pytest.mark.parametrize(
    ("low", "high"),
    [([0.5, 0.6], [1, 1]), ([0, 0], [0.4, 0.5]), ([0.5, 0], [0.4, 1]), ([-0.1, 0], [1, 1]), ([0], [1, 1]), ([], [])],
)
def test_bounds_that_no_weights_keep_are_refused(low, high):
    with pytest.raises(UnderoakError, match="E361"):
        WeightDistribution.bounded(low, high)


def test_other_impossible_spreads_are_refused():
    for make in (
        lambda: WeightDistribution.uniform(0),
        lambda: WeightDistribution.ranked([]),
        lambda: WeightDistribution.ranked([1, float("nan")]),
        lambda: WeightDistribution.dirichlet([1, 1], 0.0),
    ):
        with pytest.raises(UnderoakError, match="E361"):
            make()
    with pytest.raises(UnderoakError, match="E31"):
        WeightDistribution.fixed([0, 0])


@pytest.mark.parametrize("spread", SPREADS, ids=lambda spread: spread.kind)
def test_the_order_of_the_criteria_changes_no_bit(spread):
    rng = np.random.default_rng(3)
    names = [f"c{n}" for n in rng.permutation(spread.count)]
    before = spread.draw(200, 7, names=names)
    for _ in range(4):
        order = rng.permutation(spread.count)
        after = spread.take(order).draw(200, 7, names=[names[k] for k in order])
        assert np.array_equal(after, before[:, order])


def test_a_weight_is_drawn_by_the_name_of_its_criterion():
    spread = WeightDistribution.uniform(3)
    one, other = (
        spread.draw(2000, 1, names=["ph", "water", "clay"]),
        spread.draw(2000, 1, names=["ph", "water", "sand"]),
    )
    ratio, again = one[:, 0] / one[:, 1], other[:, 0] / other[:, 1]
    np.testing.assert_allclose(ratio, again)  # the same parts of another sum
    assert abs(np.corrcoef(one[:, 2], other[:, 2])[0, 1]) < 0.6
    with pytest.raises(ValueError, match="names"):
        spread.draw(2, names=["ph", "water"])
