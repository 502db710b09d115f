from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.units import Affine1D
from underoak.layers.decoding.encoding import Encoding, fits, intervals

TENTH = Affine1D(0.1, 0.0)


def test_integer_nodata_is_compared_exactly():
    decoded = Encoding(nodata=(-32768.0,)).decode(np.int16([[-32768, -32767, 0]]))
    np.testing.assert_array_equal(decoded.values, np.float32([[np.nan, -32767, 0]]))
    assert decoded.implausible == 0


def test_float_nodata_is_found_although_its_text_was_cut_short():
    stored = np.float32([-3.4028235e38, 1.0, -9999.0])
    for tag in (-3.4028231e38, -3.40282306e38, -3.4e38):
        assert np.isnan(Encoding(nodata=(tag,)).decode(stored).values).tolist() == [True, False, False]


@pytest.mark.parametrize("kind", ["f4", "f8"])
def test_a_decimal_tag_finds_the_float32_it_was_written_from(kind):
    stored = np.array([np.float32(-9999.9), np.float32(0.1), 5], kind)
    assert np.isnan(Encoding(nodata=(-9999.9, 0.1)).decode(stored).values).tolist() == [True, True, False]


def test_float_nodata_does_not_take_its_neighbours():
    stored = np.float32([-9999.0, -9998.99, -9999.01, -9990.0])
    assert np.isnan(Encoding(nodata=(-9999.0,)).decode(stored).values).tolist() == [True, False, False, False]


def test_nan_and_a_tag_are_both_missing():
    values = Encoding(nodata=(-9999.0,)).decode(np.float32([np.nan, -9999, 7])).values
    assert np.isnan(values).tolist() == [True, True, False]


def test_infinite_values_are_missing_and_counted_apart():
    decoded = Encoding(low=0.0, high=10.0).decode(np.float32([np.inf, -np.inf, 5, 11]))
    assert np.isnan(decoded.values).tolist() == [True, True, False, True]
    assert (decoded.infinite, decoded.implausible) == (2, 1)


def test_a_value_that_overflows_float32_is_implausible_and_never_infinite():
    decoded = Encoding().decode(np.float64([1e300, 1.0]))
    assert np.isnan(decoded.values).tolist() == [True, False]
    assert decoded.implausible == 1


def test_a_tag_outside_the_type_hides_nothing():
    assert not np.isnan(Encoding(nodata=(-9999.0,)).decode(np.uint8([241, 0, 255])).values).any()


def test_real_zeros_stay_when_nothing_calls_them_nodata():
    assert (Encoding().decode(np.zeros((3, 4), np.uint8)).values == 0).all()


def test_several_tags_and_a_mask_are_united():
    shown = np.uint8([1, 1, 0, 1, 255])
    values = Encoding(nodata=(7.0, 9.0)).decode(np.int32([7, 9, 5, 5, 6]), shown).values
    np.testing.assert_array_equal(values, np.float32([np.nan, np.nan, np.nan, 5, 6]))


def test_bounds_hold_their_own_ends_whatever_the_scale_does_to_the_last_digit():
    for high in range(1, 1000):
        decoded = Encoding(TENTH, low=0.0, high=high / 10).decode(np.int16([high, high + 1]))
        assert np.isnan(decoded.values).tolist() == [False, True], high


@pytest.mark.parametrize("kind", ["i1", "u1", "i2", "u2", "i4", "u4", "i8", "u8", "f2", "f4", "f8", ">f4", ">i2", "?"])
def test_every_stored_type_decodes(kind):
    stored = np.array([[0, 1]], kind)
    np.testing.assert_allclose(Encoding(Affine1D(2.0, 1.0)).decode(stored).values, [[1, 3]])


def test_a_strided_block_decodes_like_its_copy():
    stored = np.arange(24, dtype=np.int16).reshape(4, 6)[::2, ::3]
    np.testing.assert_array_equal(Encoding(TENTH).decode(stored).values, np.float32(stored * 0.1))


@given(
    st.lists(st.integers(-32768, 32767), min_size=1, max_size=50),
    st.integers(-32768, 32767),
    st.floats(-50, 50).map(lambda x: round(x, 3)),
    st.floats(-300, 300).map(lambda x: round(x, 2)),
)
def test_decoding_is_what_plain_numpy_says(stored, tag, scale, offset):
    block = np.array(stored, np.int16)
    expected = (block.astype(np.float64) * scale + offset).astype(np.float32)
    bad = (expected < np.float32(-100)) | (expected > np.float32(100))
    hidden = block == tag
    decoded = Encoding(Affine1D(scale, offset), (float(tag),), -100.0, 100.0).decode(block)
    np.testing.assert_array_equal(decoded.values, np.where(hidden | bad, np.float32(np.nan), expected))
    assert decoded.implausible == np.count_nonzero(bad & ~hidden)


def test_a_rate_over_a_span_multiplies_scale_and_offset():
    values = Encoding(Affine1D(2.0, 1.0)).times(10.0).decode(np.float32([3.0])).values
    assert values.tolist() == [70.0]


def test_fits_knows_ranges_and_fractions():
    assert [fits(t, "int16") for t in (-32768, 32768, 0.5, math.nan)] == [True, False, False, False]
    assert [fits(t, "float32") for t in (1e300, -3.4028235e38, math.nan)] == [False, True, True]
    assert fits(2**63 - 1, "uint64")


def test_intervals_leave_out_what_cannot_be():
    low, high = intervals((-9999.0, 3.0, math.nan), "uint8")
    assert low.tolist() == high.tolist() == [3]
    assert low.dtype == np.uint8
