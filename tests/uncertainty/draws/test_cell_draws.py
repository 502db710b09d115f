"""Draws follow from seed, layer, cell and number, and have the spread and the correlation they promise."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import kstest, norm

from underoak.base.grid import Window
from underoak.uncertainty.draws.cell_draws import INDEPENDENT, Axis, Correlation, draw, hash_seed
from underoak.uncertainty.draws.quantiles import value_at_score

SOIL = hash_seed(1, "soil_ph")
RANGE = Correlation.of(800.0, 250.0, 250.0)
MANY = 20_000


def cells(window, draws=64, correlation=INDEPENDENT, base=SOIL, turn=0):
    return draw(base, window, draws, correlation, turn).cells()


@pytest.mark.parametrize(("correlation", "expected"), [(INDEPENDENT, 0.2828), (RANGE, 0.372)])
def test_two_equal_cells_share_as_much_of_their_doubt_as_the_range_says(correlation, expected):
    pair = cells(Window(40, 60, 1, 2), MANY, correlation)[0]
    assert (0.4 * pair.mean(axis=0)).std() == pytest.approx(expected, abs=3 * expected / math.sqrt(2 * MANY) + 0.0005)
    rho = correlation.realised((40, 60), (40, 61))
    assert 0.4 * math.sqrt((1 + rho) / 2) == pytest.approx(expected, abs=0.0005)


@pytest.mark.parametrize("correlation", [INDEPENDENT, RANGE])
@pytest.mark.parametrize("draws", [16, 64, 300])
def test_one_cell_has_its_whole_doubt_and_its_mean_in_few_draws(correlation, draws):
    every = cells(Window(0, 0, 12, 9), draws, correlation).reshape(-1, draws)
    assert abs(every.mean(axis=1)).max() < 3.0 / draws
    assert (0.4 * every.std(axis=1)).mean() == pytest.approx(0.4, rel=0.01)
    assert (0.4 * every.std(axis=1)).min() > 0.4 * (1 - 3.0 / draws)


@pytest.mark.parametrize("draws", [1, 7, 64, 65, 300])
def test_every_cell_has_one_draw_in_each_equal_share(draws):
    for correlation in (INDEPENDENT, RANGE):
        every = cells(Window(5, 5, 6, 6), draws, correlation).reshape(-1, draws)
        shares = np.sort(np.floor(norm.cdf(every.astype(np.float64)) * draws).clip(0, draws - 1), axis=1)
        if draws > 1:  # scaled to a variance of 1, the correlated ones may leave the outer shares by a little
            assert np.abs(shares - np.arange(draws)).max() <= (0 if correlation is INDEPENDENT else 1)


@pytest.mark.parametrize("correlation", [INDEPENDENT, RANGE])
def test_over_many_cells_draws_are_standard_normal(correlation):
    lattice = cells(Window(0, 0, 2000, 2000), 1, correlation)[::40, ::40, 0].ravel()  # far enough apart
    assert kstest(lattice.astype(np.float64), "norm").pvalue > 0.001


@given(
    st.integers(-50, 4000), st.integers(-50, 4000), st.integers(1, 40), st.integers(1, 40),
    st.sampled_from([0.0, 130.0, 800.0, 9000.0]),
)  # fmt: skip
@settings(max_examples=40, deadline=None)
def test_a_cell_is_drawn_alike_in_every_window(row, col, down, across, length):
    correlation = Correlation.of(length, 250.0, 170.0)
    wide = cells(Window(row - 3, col - 30, down + 8, across + 40), 8, correlation)
    part = cells(Window(row, col, down, across), 8, correlation)
    assert np.array_equal(wide[3 : 3 + down, 30 : 30 + across], part)


def test_layers_are_independent_and_a_seed_changes_all():
    window = Window(0, 0, 60, 60)
    one = cells(window, 16, RANGE)
    for other in (hash_seed(1, "clay"), hash_seed(2, "soil_ph")):
        again = cells(window, 16, RANGE, other)
        assert (again == one).mean() < 0.1  # of a few values in a fixed set, by chance
        assert abs(np.corrcoef(one.ravel(), again.ravel())[0, 1]) < 0.05


def test_hashes_are_these_for_ever_on_every_machine():
    assert int(SOIL) == 0x76B430BB53E65CDB
    kept = [-0.2694847285747528, 0.767051100730896, -1.8007193803787231, 0.6364531517028809]
    assert cells(Window(3, 5, 1, 1), 4)[0, 0].tolist() == pytest.approx(kept, abs=1e-6)


def test_neighbours_lose_correlation_as_the_exponential_says():
    for length in (0.6, 3.2, 14.0, 100.0):
        axis = Axis.of(length)
        block = axis.block
        for start in (0, 7, 100, 1000):
            for steps in (1, 2, 5, 20):
                a, b = start * block, (start + steps) * block
                assert axis.realised(a, b) == pytest.approx(math.exp(-steps * block / length), abs=0.02)
    assert Axis.of(100.0).realised(24, 35) == 1.0  # cells far shorter than the range are drawn in blocks


def test_measured_correlation_is_the_realised_one():
    there = [(20, 20), (20, 23), (26, 20), (33, 41), (12, 13)]
    every = cells(Window(0, 0, 50, 50), MANY // 4, RANGE)
    for a in there:
        for b in there:
            measured = np.corrcoef(every[a], every[b])[0, 1]
            assert measured == pytest.approx(RANGE.realised(a, b), abs=0.045)


def test_world_maps_come_round():
    base, turn = hash_seed(3, "rain"), 720
    assert np.array_equal(cells(Window(5, 718, 2, 4), 8, base=base, turn=turn),
                          np.concatenate([cells(Window(5, 718, 2, 2), 8, base=base, turn=turn),
                                          cells(Window(5, 0, 2, 2), 8, base=base, turn=turn)], axis=1))  # fmt: skip


def test_drawn_quantiles_lie_on_the_curve_that_probabilities_come_from():
    from underoak.uncertainty.draws import draw_kernels as kernels

    levels = (0.05, 0.3, 0.5, 0.95)
    rng = np.random.default_rng(4)
    stack = np.sort(rng.normal(7, 1, (4, 5, 6)), axis=0).astype(np.float32)
    stack[:, 0, 1] = stack[::-1, 0, 1]  # crossing
    stack[1, 0, 2] = stack[0, 0, 2]  # equal quantiles at the end
    stack[2, 0, 3] = np.nan
    own = stack[2].copy()
    own[0, 3] = 7.0
    normals = draw(SOIL, Window(0, 0, 5, 6), 32)
    out = np.empty((30, 32), np.float32)
    scores = norm.ppf(levels).astype(np.float32)
    limits = (4.0, 9.0)
    crossing = kernels.quantile_draws(own, stack, scores, normals.z, normals.row_at, normals.col_at, *limits, out)
    expected = value_at_score(levels, stack, normals.cells().transpose(2, 0, 1), limits).transpose(1, 2, 0)
    assert crossing == 1
    found = out.reshape(5, 6, 32)
    assert (found[0, 1] == own[0, 1]).all()
    assert (found[0, 3] == 7.0).all()
    sound = ~np.isnan(expected)
    assert sound.sum() == 28 * 32
    assert np.abs(found - expected)[sound].max() < 1e-5


def test_spread_is_an_amount_or_a_share_and_bounds_hold():
    from underoak.uncertainty.draws import draw_kernels as kernels

    values = np.float32([[100.0, np.nan, 0.0]])
    normals = draw(SOIL, Window(0, 0, 1, 3), 64)
    z, out = normals.cells()[0], np.empty((3, 64), np.float32)
    kernels.normal_draws(values, 15.0, False, normals.z, normals.row_at, normals.col_at, -np.inf, np.inf, out)
    assert np.abs(out[0] - (100 + 15 * z[0])).max() < 1e-4
    assert np.isnan(out[1]).all()
    kernels.normal_draws(values, 0.5, True, normals.z, normals.row_at, normals.col_at, 0.0, 150.0, out)
    assert np.abs(out[0] - np.clip(100 + 50 * z[0], 0, 150)).max() < 1e-4
    assert (out[2] == 0.0).all()
