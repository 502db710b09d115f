"""Errors of a layer: local and common parts, the same correlation in the draws and in the mean of a parcel."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.base.grid import Window
from underoak.uncertainty.draws.cell_draws import INDEPENDENT, Axis, Correlation
from underoak.uncertainty.draws.error_model import ErrorModel, sd_of_mean

MANY = 4000
FIVE_BY_FOUR = [axis.ravel() for axis in np.meshgrid(np.arange(4), np.arange(5), indexing="ij")]


def model(range_m=800.0, bias=0.0, grain_m=0.0, side=250.0):
    return ErrorModel("soil_ph", Correlation.of(range_m, side, side, grain_m), bias)


def plain_axis(length, grain, reach_lengths=4.0):
    """The covariance of cells 0..59 of a line, by the sums over hashed normals themselves."""
    axis = Axis.of(length, grain)
    blocks = np.floor((np.arange(60) + 0.5) / max(grain, 1.0)).astype(int) // axis.block
    if length == 0:
        return (blocks[:, None] == blocks).astype(float)
    stretch = math.ceil(reach_lengths * (length / max(grain, 1.0)) / axis.block)
    weights = np.zeros((60, blocks.max() + 2 * stretch + 1))
    for i, block in enumerate(blocks):
        start = (block // stretch - 1) * stretch
        for source in range(start, block + 1):
            weights[i, source + stretch] = axis.weight ** (block - source)
    weights /= np.sqrt((weights**2).sum(axis=1, keepdims=True))
    return weights @ weights.T


@given(
    st.sampled_from([0.0, 0.3, 3.2, 17.0, 60.0]), st.sampled_from([0.2, 1.0, 2.5, 10.0]), st.integers(0, 2**32),
    st.floats(0.0, 1.0),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_the_mean_of_a_parcel_has_the_doubt_that_the_sums_of_normals_give(length, grain, seed, bias):
    rng = np.random.default_rng(seed)
    rows, cols = rng.integers(0, 60, (2, 25))
    sd, shares = rng.uniform(0.1, 2.0, (2, 25))
    errors = ErrorModel("a", Correlation(Axis.of(length, grain), Axis.of(1.7 * length, grain)), bias)
    local = plain_axis(length, grain)[rows[:, None], rows] * plain_axis(1.7 * length, grain)[cols[:, None], cols]
    lever = sd * shares / shares.sum()
    variance = lever @ (bias + (1.0 - bias) * local) @ lever
    assert sd_of_mean(sd, rows, cols, errors, shares) == pytest.approx(math.sqrt(variance), rel=1e-9)


@pytest.mark.parametrize("bias", [0.0, 0.2, 0.83, 1.0])
@pytest.mark.parametrize("range_m", [0.0, 800.0])
@pytest.mark.parametrize(("grain_m", "side"), [(0.0, 250.0), (250.0, 60.0), (1000.0, 250.0)])
def test_draws_of_a_mean_spread_as_the_model_says(bias, range_m, grain_m, side):
    errors = model(range_m, bias, grain_m, side)
    z = errors.draw(5, Window(30, 40, 4, 5), MANY).cells().reshape(20, MANY)
    expected = sd_of_mean(1.0, FIVE_BY_FOUR[0] + 30, FIVE_BY_FOUR[1] + 40, errors)
    assert z.mean(axis=0).std() == pytest.approx(expected, rel=4 / math.sqrt(2 * MANY))
    assert z.std(axis=1) == pytest.approx(np.ones(20), abs=0.005)


def test_every_cell_keeps_its_spread_and_mean_in_few_draws():
    for errors in (model(0.0, 0.3), model(800.0, 0.3), model(0.0, 1.0)):
        z = errors.draw(3, Window(0, 0, 9, 9), 64).cells().reshape(-1, 64)
        assert np.abs(z.mean(axis=1)).max() < 3 / 64
        assert np.abs(z.std(axis=1) - 1.0).max() < 3 / 64


@given(st.integers(-40, 900), st.integers(-40, 900), st.sampled_from([0.0, 800.0]), st.sampled_from([0.0, 333.0]))
@settings(max_examples=25, deadline=None)
def test_a_cell_has_the_same_errors_in_every_window(row, col, range_m, grain_m):
    errors = model(range_m, 0.2, grain_m, 90.0)
    wide = errors.draw(1, Window(row - 4, col - 9, 20, 25), 8).cells()
    assert np.array_equal(wide[4:9, 9:17], errors.draw(1, Window(row, col, 5, 8), 8).cells())


@pytest.mark.parametrize(("range_cells", "grain"), [(0.0, 1.0), (4.0, 1.0), (40.0, 1.0), (9.0, 3.5)])
def test_a_world_map_has_the_same_errors_where_it_begins_again(range_cells, grain):
    errors = ErrorModel("rain", Correlation(Axis.of(range_cells, grain), Axis.of(range_cells, grain)), 0.2)
    over = errors.draw(3, Window(5, 700, 2, 40), 8, turn=720).cells()
    west = errors.draw(3, Window(5, 700, 2, 20), 8, turn=720).cells()
    east = errors.draw(3, Window(5, 0, 2, 20), 8, turn=720).cells()
    assert np.array_equal(over, np.concatenate([west, east], axis=1))
    before = errors.draw(3, Window(5, -20, 2, 25), 8, turn=720).cells()
    assert np.array_equal(before, np.concatenate([west, east[:, :5]], axis=1))


def test_errors_of_two_layers_are_independent_and_so_are_both_their_parts():
    one, other = (ErrorModel(name, INDEPENDENT, 0.5) for name in ("soil_ph", "clay"))
    window = Window(0, 0, 8, 8)
    a, b = (each.draw(1, window, MANY).cells() for each in (one, other))
    assert abs(np.corrcoef(a.ravel(), b.ravel())[0, 1]) < 0.02
    assert abs(np.corrcoef(one.common_normals(1, MANY), other.common_normals(1, MANY))[0, 1]) < 0.06
    assert one.common_normals(1, 64) == pytest.approx(ErrorModel("soil_ph").common_normals(1, 64))
    assert abs(float(one.common_normals(1, 64).mean())) < 1 / 64


def test_independent_cells_share_the_doubt_by_the_root_of_their_number():
    assert sd_of_mean(0.4, *FIVE_BY_FOUR, model(0.0)) == pytest.approx(0.4 / np.sqrt(20))
    assert sd_of_mean(0.4, *FIVE_BY_FOUR, model(0.0, bias=1.0)) == pytest.approx(0.4)
    assert sd_of_mean(0.4, [7], [9], model(800.0)) == pytest.approx(0.4)


def test_the_mean_nears_the_plain_exponential():
    rng = np.random.default_rng(7)
    rows, cols = rng.integers(0, 30, (2, 50))
    for range_m in (300.0, 800.0, 2000.0):
        apart = np.abs(rows[:, None] - rows) + np.abs(cols[:, None] - cols)  # along rows, then along columns
        plain = 0.4 * np.sqrt(np.exp(-250.0 * apart / range_m).mean())
        assert sd_of_mean(0.4, rows, cols, model(range_m)) == pytest.approx(plain, rel=0.02)


@pytest.mark.slow
def test_many_cells_are_added_up_completely():
    """So many that their pairs do not fit into one step."""
    rng = np.random.default_rng(1)
    rows, cols = rng.integers(0, 400, (2, 3000))
    errors = model(800.0, 0.2)
    squares = sum(errors.correlations((rows[i], cols[i]), (rows, cols)).sum() for i in range(len(rows)))
    assert sd_of_mean(0.4, rows, cols, errors) == pytest.approx(0.4 * np.sqrt(squares) / len(rows), rel=1e-12)


@pytest.mark.parametrize("shares", [[0, 0], [-1, 2]])
def test_means_of_nothing_are_refused(shares):
    with pytest.raises(UnderoakError, match="E360"):
        sd_of_mean(0.4, [0, 1], [0, 1], model(), shares)


def test_shapes_must_fit():
    with pytest.raises(ValueError, match="same cells"):
        sd_of_mean(0.4, [0, 1], [0], model())
