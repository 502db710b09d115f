"""Laboratory results and the doubt of a parcel's mean."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.uncertainty import lab_update, sd_of_mean


def test_rows_together_or_one_after_the_other_say_the_same():
    together = lab_update(7.3, 0.4, [7.8, 7.6, 8.0], [0.15, 0.3, 0.2])
    after = lab_update(7.3, 0.4, [7.8], 0.15)
    for row, error in ((7.6, 0.3), (8.0, 0.2)):
        after = lab_update(after.mean, after.sd, [row], error)
    assert together.mean == pytest.approx(after.mean, abs=1e-12)
    assert together.sd == pytest.approx(after.sd, abs=1e-12)


lab_rows = st.lists(st.floats(4.0, 9.0), min_size=1, max_size=5)


@given(st.floats(4.0, 9.0), st.floats(0.0, 2.0), lab_rows, st.floats(0.0, 1.0))
def test_the_new_mean_lies_between_map_and_laboratory_and_is_surer(mean, sd, rows, error):
    found = lab_update(mean, sd, rows, error)
    assert min(mean, *rows) - 1e-9 <= found.mean <= max(mean, *rows) + 1e-9
    assert 0.0 <= found.sd <= sd + 1e-12


def test_agrees_with_bayes_on_a_grid():
    x = np.linspace(3.0, 12.0, 90_001)
    density = np.exp(-0.5 * ((x - 7.3) / 0.4) ** 2 - 0.5 * ((x - 7.8) / 0.15) ** 2 - 0.5 * ((x - 7.1) / 0.3) ** 2)
    density /= density.sum()
    mean = (density * x).sum()
    found = lab_update(7.3, 0.4, [7.8, 7.1], [0.15, 0.3])
    assert found.mean == pytest.approx(mean, abs=1e-9)
    assert found.sd == pytest.approx(np.sqrt((density * (x - mean) ** 2).sum()), abs=1e-9)


def test_parcels_side_by_side_and_rows_that_are_not_there():
    rows = [[7.8, np.nan, 7.8], [np.nan, np.nan, 7.6]]
    found = lab_update([7.3, 7.3, 7.3], 0.4, rows, 0.15)
    assert found.mean[0] == lab_update(7.3, 0.4, [7.8], 0.15).mean
    assert (found.mean[1], found.sd[1]) == (7.3, 0.4)
    assert found.mean[2] == pytest.approx(lab_update(7.3, 0.4, [7.8, 7.6], 0.15).mean)


def test_a_result_without_error_settles_and_a_certain_map_stays():
    assert lab_update(7.3, 0.4, [7.8, 7.0], [0.0, 0.2]) == (7.8, 0.0)
    assert lab_update(7.3, 0.4, [7.8, 7.6], 0.0) == (pytest.approx(7.7), 0.0)
    assert lab_update(7.3, 0.0, [7.8], 0.15) == (7.3, 0.0)
    assert lab_update(7.3, 0.0, [7.8], 0.0) == (7.3, 0.0)


def test_a_map_that_knows_nothing_takes_the_laboratory():
    found = lab_update(7.3, 1e9, [7.8], 0.15)
    assert found.mean == pytest.approx(7.8)
    assert found.sd == pytest.approx(0.15)


def test_missing_map_stays_missing():
    assert np.isnan(lab_update(np.nan, 0.4, [7.8], 0.15).mean)
    assert np.isnan(lab_update(7.3, np.nan, [7.8], 0.15).sd)


@pytest.mark.parametrize(("sd", "error"), [(-0.1, 0.1), (0.1, -0.1)])
def test_negative_errors_are_refused(sd, error):
    with pytest.raises(UnderoakError, match="E360"):
        lab_update(7.0, sd, [7.0], error)


def test_full_correlation_keeps_the_doubt_of_a_point():
    x, y = np.meshgrid(np.arange(5) * 250.0, np.arange(4) * 250.0)
    assert sd_of_mean(0.4, x, y, np.inf) == pytest.approx(0.4)
    assert sd_of_mean(0.4, [100.0], [5.0], 800.0) == pytest.approx(0.4)


def test_independent_cells_share_it_by_the_root_of_their_number():
    x, y = np.meshgrid(np.arange(5) * 250.0, np.arange(4) * 250.0)
    assert sd_of_mean(0.4, x, y, 0.0) == pytest.approx(0.4 / np.sqrt(20))


@given(st.floats(0.0, 2000.0), st.floats(1.0, 2000.0))
def test_a_longer_range_leaves_more_doubt(range_, more):
    x = np.array([0.0, 250.0, 500.0, 500.0])
    y = np.array([0.0, 0.0, 0.0, 250.0])
    assert sd_of_mean(0.4, x, y, range_) <= sd_of_mean(0.4, x, y, range_ + more) + 1e-15


def test_shares_weigh_and_cells_may_differ():
    found = sd_of_mean([0.4, 0.2], [0.0, 250.0], [0.0, 0.0], 800.0, shares=[3.0, 1.0])
    a, b = 0.75 * 0.4, 0.25 * 0.2
    assert found == pytest.approx(np.sqrt(a * a + b * b + 2.0 * a * b * np.exp(-250.0 / 800.0)))


def test_many_cells_are_added_up_completely():
    """So many that their pairs do not fit into one step."""
    x, y = np.random.default_rng(1).uniform(0.0, 3000.0, (2, 3000))
    squares = sum(np.exp(-np.hypot(x - x[i], y - y[i]) / 500.0).sum() for i in range(len(x)))
    assert sd_of_mean(0.4, x, y, 500.0) == pytest.approx(0.4 * np.sqrt(squares) / len(x), rel=1e-12)


def test_draws_with_this_covariance_have_this_spread():
    rng = np.random.default_rng(7)
    x, y = rng.uniform(0.0, 2000.0, (2, 30))
    covariance = 0.16 * np.exp(-np.hypot(x[:, None] - x, y[:, None] - y) / 700.0)
    means = rng.multivariate_normal(np.zeros(30), covariance, 100_000).mean(axis=1)
    assert sd_of_mean(0.4, x, y, 700.0) == pytest.approx(means.std(), rel=0.01)


@pytest.mark.parametrize(("range_", "shares"), [(-1.0, None), (np.nan, None), (1.0, [0, 0]), (1.0, [-1, 2])])
def test_means_of_nothing_are_refused(range_, shares):
    with pytest.raises(UnderoakError, match="E360"):
        sd_of_mean(0.4, [0, 1], [0, 1], range_, shares)


def test_shapes_must_fit():
    with pytest.raises(ValueError, match="same cells"):
        sd_of_mean(0.4, [0, 1], [0], 800.0)
