"""Whether a map's band holds as many soil tests as it should."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.uncertainty import band_coverage, cells_per_parcel, wilson

Z90 = 1.6448536269514722


def fields(n, true_sd, said_sd, seed=1, test_sd=0.0):
    """Tests of n places, and the band of a map that says it is off by `said_sd`."""
    rng = np.random.default_rng(seed)
    mapped = rng.normal(7.4, 0.3, n)
    tested = mapped + rng.normal(0, true_sd, n) + rng.normal(0, test_sd, n)
    return tested, mapped - Z90 * said_sd, mapped, mapped + Z90 * said_sd


def test_a_map_that_says_too_little_doubt_is_flagged_and_mended():
    tested, low, middle, high = fields(60, true_sd=0.5, said_sd=0.2)
    found = band_coverage(tested, low, middle, high)
    assert found.finding == "too narrow"
    assert found.high < 0.9
    assert found.inflation == pytest.approx(0.5 / 0.2, rel=0.25)
    wider = (middle + found.inflation * (end - middle) for end in (low, high))
    mended = band_coverage(tested, next(wider), middle, next(wider))
    assert mended.finding == "fits"
    assert mended.inside >= 54


def test_a_map_that_is_right_about_itself_is_seldom_flagged():
    findings = [band_coverage(*fields(60, 0.4, 0.4, seed)).finding for seed in range(200)]
    assert findings.count("fits") >= 180
    assert band_coverage(*fields(60, 0.4, 0.4)).inflation == 1.0


def test_a_map_that_says_too_much_doubt_is_told_so():
    found = band_coverage(*fields(80, true_sd=0.1, said_sd=0.4))
    assert found.finding == "too wide"
    assert found.inflation == pytest.approx(0.25, rel=0.3)


def test_the_error_of_the_tests_is_not_held_against_the_map():
    runs = [fields(200, true_sd=0.2, said_sd=0.2, test_sd=0.3, seed=seed) for seed in range(100)]
    assert {band_coverage(*run).finding for run in runs} == {"too narrow"}
    assert sum(band_coverage(*run, test_sd=0.3).finding == "fits" for run in runs) >= 88
    worse = [fields(200, true_sd=0.6, said_sd=0.2, test_sd=0.3, seed=seed) for seed in range(100)]
    assert np.mean([band_coverage(*run, test_sd=0.3).inflation for run in worse]) == pytest.approx(3.0, abs=0.1)


def test_fewer_than_twenty_tests_say_nothing():
    found = band_coverage(*fields(19, 2.0, 0.2))
    assert found.finding == "too few tests"
    assert found.inflation is None
    assert band_coverage(*fields(20, 2.0, 0.2)).finding == "too narrow"
    none = band_coverage([], [], [], [])
    assert none.tests == 0
    assert math.isnan(none.share)


def test_rows_that_miss_something_are_left_out():
    tested, low, middle, high = fields(30, 0.4, 0.4)
    tested[3] = low[5] = np.nan
    assert band_coverage(tested, low, middle, high).tests == 28


def test_a_lopsided_band_is_judged_side_by_side():
    """Tests above lie within a wide upper side, as many below outside a narrow lower one."""
    tests = np.repeat([7.9, 7.1], 20)
    found = band_coverage(tests, 7.3, 7.4, 8.0)
    assert found.inside == 20
    assert found.inflation == pytest.approx(0.3 / 0.1)


def test_a_value_on_the_edge_of_the_band_lies_inside():
    assert band_coverage([7.0] * 20, 7.0, 7.5, 8.0).inside == 20


@settings(max_examples=50, deadline=None)
@given(st.integers(20, 80), st.floats(0.05, 0.6), st.floats(0.05, 0.6), st.integers(0, 10**6))
def test_the_inflated_band_holds_what_it_should(n, true_sd, said_sd, seed):
    tested, low, middle, high = fields(n, true_sd, said_sd, seed)
    found = band_coverage(tested, low, middle, high)
    assert found.low <= found.share <= found.high
    if found.finding != "fits":
        ends = [middle + found.inflation * (end - middle) for end in (low, high)]
        again = band_coverage(tested, ends[0], middle, ends[1])
        assert again.inside >= math.ceil(0.9 * n - 1e-9)
        assert again.inside <= math.ceil(0.9 * n - 1e-9) + 1
        assert (found.inflation > 1) == (found.finding == "too narrow")


def test_a_parcel_is_counted_in_cells_of_its_source():
    assert cells_per_parcel(6.25, 250.0) == 1.0
    assert cells_per_parcel(0.05, 1000.0) == pytest.approx(0.0005)


def test_impossible_questions_about_calibration_are_refused():
    for ask in (
        lambda: wilson(3, 2),
        lambda: wilson(-1, 2),
        lambda: wilson(1, 2, 1.0),
        lambda: band_coverage([7.0], [8.0], [7.0], [7.5]),
        lambda: band_coverage([7.0], [6.0], [7.0], [7.5], test_sd=-1.0),
        lambda: band_coverage(7.0, 6.0, 7.0, 7.5),
        lambda: cells_per_parcel(1.0, 0.0),
    ):
        with pytest.raises(ValueError, match=r"cannot be|quantiles|tests are"):
            ask()
