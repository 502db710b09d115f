"""The worth of a test: closed form, estimates from draws."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from underoak.base.errors import UnderoakError
from underoak.overlay import Curve
from underoak.uncertainty import expected_membership, value_for_choice, value_of_information, value_of_test
from underoak.uncertainty.information.value_of_information import sampling_error

HUMP = Curve.hump(7.0, 7.5, 8.3, 8.8)
amounts = st.floats(0.0, 5.0)


def strata(draws, parcels, seed):
    """Standard normals, one from each of `draws` equal shares, shuffled in every parcel."""
    rng = np.random.default_rng(seed)
    places = np.argsort(rng.random((draws, parcels)), axis=0) + rng.random((draws, parcels))
    return stats.norm.ppf(places / draws)


@given(st.floats(-10.0, 10.0), amounts, st.floats(-10.0, 10.0), amounts)
def test_no_test_is_worth_more_than_knowing_and_none_less_than_nothing(mean, sd, threshold, error):
    found = value_of_test(mean, sd, threshold, error)
    assert 0.0 <= found.sample <= found.perfect + 1e-15
    assert 0.0 <= found.flip_chance <= 0.5


@given(st.floats(0.01, 2.0), st.floats(0.01, 2.0), st.floats(0.0, 1.0), st.floats(0.1, 3.0))
def test_agrees_with_simulated_tests(sd, error, gap, factor):
    z = stats.norm.ppf((np.arange(20_000) + 0.5) / 20_000)
    posterior = gap * sd + sd * sd / np.hypot(sd, error) * z
    found = value_of_test(gap * sd, sd, 0.0, error)
    assert found.sample == pytest.approx(np.maximum(posterior, 0.0).mean() - gap * sd, abs=1e-4 * sd)
    assert found.flip_chance == pytest.approx(np.mean(posterior < 0.0), abs=1e-4)
    assert value_of_test(gap * sd, sd, 0.0, error * (1 + factor)).sample <= found.sample


def test_a_perfect_test_is_worth_what_knowing_is_and_a_useless_one_nothing():
    exact, useless = value_of_test(7.3, 0.4, 7.5, 0.0), value_of_test(7.3, 0.4, 7.5, np.inf)
    assert exact.sample == exact.perfect
    assert (useless.sample, useless.flip_chance) == (0.0, 0.0)


def test_nothing_to_learn_where_there_is_no_doubt():
    assert value_of_test(7.3, 0.0, [7.5, 7.3], 0.15) == (
        pytest.approx([0, 0]),
        pytest.approx([0, 0]),
        pytest.approx([0, 0]),
    )


def test_missing_stays_missing():
    for found in (value_of_test(np.nan, 0.4, 7.5, 0.1), value_of_test(7.3, np.nan, 7.5, 0.1)):
        assert np.isnan([found.perfect, found.sample, found.flip_chance]).all()
    assert np.isnan(value_of_test(7.3, 0.4, 7.5, np.nan).sample)


def test_negative_errors_are_refused():
    with pytest.raises(UnderoakError, match="E360"):
        value_of_test(7.3, 0.4, 7.5, -0.1)


def test_less_cost_is_the_worth_in_money_less_the_price():
    found = value_of_test(7.3, 0.4, 7.5, 0.15)
    assert found.less_cost(1000.0, 60.0) == pytest.approx(found.sample * 1000.0 - 60.0)


def test_draws_of_a_linear_normal_case_meet_the_closed_form():
    z = strata(256, 60, 1)
    noise = 0.05 * strata(256, 60, 2)
    found = value_of_information(7.3 + 0.4 * z + noise, 7.3 + 0.4 * z, 7.5, 0.15)
    exact = value_of_test(7.3, 0.4, 7.5, 0.15)
    for estimate, true in zip(found, exact, strict=True):
        assert estimate.mean() == pytest.approx(true, rel=0.03)


@pytest.mark.parametrize(("draws", "perfect", "sample", "flip"), [(64, 0.10, 0.06, 0.06), (512, 0.06, 0.04, 0.04)])
@pytest.mark.parametrize(("mean", "sd"), [(7.4, 0.4), (7.4, 0.15), (6.8, 0.3)])
def test_draws_of_a_hump_meet_quadrature(draws, perfect, sample, flip, mean, sd):
    z = stats.norm.ppf((np.arange(200_001) + 0.5) / 200_001)
    level = 0.47 - 0.35 * float(expected_membership(HUMP, mean, sd))
    known = np.maximum(level + 0.35 * expected_membership(HUMP, mean + sd * z, 0.0), 0.5).mean() - 0.5
    kept = sd * sd / (sd * sd + 0.15**2)
    after = level + 0.35 * expected_membership(HUMP, mean + sd * np.sqrt(kept) * z, sd * np.sqrt(1.0 - kept))
    x = mean + sd * strata(draws, 300, 3)
    utility = level + 0.35 * expected_membership(HUMP, x, 0.0) + 0.05 * strata(draws, 300, 4)
    found = value_of_information(utility, x, 0.5, 0.15)
    assert found.perfect.mean() == pytest.approx(known, rel=perfect)
    assert found.sample.mean() == pytest.approx(np.maximum(after, 0.5).mean() - 0.5, rel=sample)
    assert found.flip_chance.mean() == pytest.approx(np.mean(after >= 0.5), abs=flip)


def test_what_does_not_matter_is_worth_nothing():
    utility, unrelated = 0.48 + 0.1 * strata(64, 400, 5), strata(64, 400, 6)
    found = value_of_information(utility, unrelated, 0.5, 0.1)
    relevant = value_of_information(utility, utility, 0.5, 0.1)
    assert np.mean(found.perfect == 0.0) > 0.9
    assert found.perfect.mean() < 0.05 * relevant.perfect.mean()
    assert value_of_information(utility, np.full(64, 7.0), 0.5).perfect.tolist() == [0.0] * 400
    assert value_of_information(np.full((64, 2), 0.4), unrelated[:, :2], 0.5).perfect.tolist() == [0.0, 0.0]


def test_tests_from_perfect_to_useless():
    x = 7.4 + 0.4 * strata(64, 50, 7)
    utility = 0.3 + 0.4 * expected_membership(HUMP, x, 0.0)
    found = [value_of_information(utility, x, 0.5, error) for error in (0.0, 0.1, 0.4, 2.0, np.inf)]
    worths = np.array([each.sample.mean() for each in found])
    assert (found[0].sample == found[0].perfect).all()
    assert (np.diff(worths) < 0.0).all()
    assert found[-1].sample.tolist() == [0.0] * 50
    assert found[-1].flip_chance.tolist() == [0.0] * 50
    for each in found:
        assert (each.sample <= each.perfect).all()
        assert (each.sample >= 0.0).all()


def test_other_units_of_the_known_change_nothing():
    x = 7.4 + 0.4 * strata(64, 20, 8)
    utility = 0.3 + 0.4 * expected_membership(HUMP, x, 0.0)
    a, b = value_of_information(utility, x, 0.5, 0.15), value_of_information(utility, x * 10.0, 0.5, 1.5)
    for one, other in zip(a, b, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-9, atol=1e-12)


def test_parcels_do_not_touch_each_other():
    """More parcels than are worked out in one step, against a few at a time."""
    x = strata(64, 1100, 9)
    utility = 0.5 + 0.1 * x + 0.05 * strata(64, 1100, 10)
    together = value_of_information(utility, x, 0.52, 0.3)
    for some in (slice(0, 3), slice(1020, 1030), slice(1098, 1100)):
        for one, other in zip(together, value_of_information(utility[:, some], x[:, some], 0.52, 0.3), strict=True):
            np.testing.assert_allclose(one[some], other, rtol=1e-9, atol=1e-12)


def test_a_parcel_without_a_value_has_no_worth():
    x = strata(64, 2, 11)
    utility = 0.5 + 0.1 * x
    utility[3, 1] = np.nan
    found = value_of_information(utility, x, 0.52)
    assert np.isnan([each[1] for each in found]).all()
    assert np.isfinite([each[0] for each in found]).all()


def test_one_parcel_or_none_is_the_same_choice():
    x = strata(128, 1, 12)
    utility = 0.5 + 0.1 * x + 0.03 * strata(128, 1, 13)
    one, choice = value_of_information(utility, x, 0.52, 0.5), value_for_choice(utility, x[:, 0], 0.52, 0.5)
    assert [float(v) for v in choice] == pytest.approx([float(v[0]) for v in one])


def test_between_two_parcels_the_worth_is_that_of_their_difference():
    z = strata(512, 1, 14)[:, 0]
    found = value_for_choice(np.stack([0.6 + 0.1 * z, np.full(512, 0.65)], axis=1), z, 0.0)
    exact = value_of_test(0.6, 0.1, 0.65, 0.0)
    assert found.perfect == pytest.approx(exact.perfect, rel=0.02)
    assert found.flip_chance == pytest.approx(exact.flip_chance, abs=0.01)


def test_parcels_that_are_not_judged_take_no_part_in_a_choice():
    z = strata(64, 1, 15)[:, 0]
    u = np.stack([0.6 + 0.1 * z, np.full(64, 0.65)], axis=1)
    with_gap = np.column_stack([u, np.full(64, np.nan)])
    assert value_for_choice(with_gap, z, 0.0) == value_for_choice(u, z, 0.0)
    with pytest.raises(ValueError, match="without NaN"):
        value_for_choice(with_gap[:, 2:], z, 0.0)


def test_too_few_draws_and_unfit_shapes_are_refused():
    with pytest.raises(ValueError, match="7 draws"):
        value_of_information(np.zeros((7, 2)), np.zeros((7, 2)), 0.5)
    with pytest.raises(ValueError, match="same parcels"):
        value_of_information(np.zeros((64, 2)), np.zeros((64, 3)), 0.5)
    with pytest.raises(UnderoakError, match="E360"):
        value_of_information(np.zeros((64, 2)), np.zeros((64, 2)), 0.5, -1.0)


@pytest.mark.parametrize("draws", [64, 256])
def test_the_standard_error_is_the_scatter_between_seeds_and_useless_tests_are_worth_nothing(draws):
    rng, parcels = np.random.default_rng(20261), 300
    z, other = rng.standard_normal((2, draws, parcels))
    useful = 0.5 + 0.08 * z + 0.06 * other
    values, errors = (f(useful, z, 0.5, 0.3) for f in (value_of_information, sampling_error))
    for value, error in ((values.sample, errors.sample), (values.flip_chance, errors.flip_chance)):
        assert 0.8 < np.sqrt(np.mean(error**2)) / value.std() < 2.5  # never much too small
    assert np.mean(values.sample > 2 * errors.sample) > 0.95
    useless = 0.5 + 0.1 * other
    values, errors = (f(useless, z, 0.5, 0.3) for f in (value_of_information, sampling_error))
    assert np.mean(values.sample > 2 * errors.sample) < 0.03


@pytest.mark.parametrize("draws", [8, 15, 16, 61])
def test_few_draws_have_an_error_too_and_it_does_not_depend_on_other_parcels(draws):
    z = np.random.default_rng(7).standard_normal((draws, 5))
    all_at_once = sampling_error(z, z, 0.1, 0.2)
    alone = sampling_error(z[:, 2:3], z[:, 2:3], 0.1, 0.2)
    assert np.isfinite(all_at_once.sample).all()
    assert alone.sample[0] == pytest.approx(all_at_once.sample[2], rel=1e-12)
