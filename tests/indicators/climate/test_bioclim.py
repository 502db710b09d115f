"""Bioclimatic variables: quarters that wrap, ties, missing months, identities."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from underoak.indicators.climate import bioclim

warm = arrays(np.float32, (12, 2, 2), elements=st.floats(-40, 45, width=32))
wet = arrays(np.float32, (12, 2, 2), elements=st.floats(0, 500, width=32))


def year(*months):
    return np.float32(months).reshape(12, 1, 1)


def quarters(months):
    wrapped = np.concatenate([months, months[:2]]).astype(np.float64)
    return np.stack([wrapped[i : i + 3].sum(axis=0) for i in range(12)])


@settings(deadline=None)
@given(warm, wet)
def test_quarters_against_plain_arithmetic(temperature, rain):
    warmth, water = quarters(temperature), quarters(rain)

    def at(sums, index):
        return np.take_along_axis(sums, index[None], axis=0)[0]

    for number, made in {
        8: at(warmth, water.argmax(axis=0)) / 3, 9: at(warmth, water.argmin(axis=0)) / 3,
        10: warmth.max(axis=0) / 3, 11: warmth.min(axis=0) / 3, 16: water.max(axis=0), 17: water.min(axis=0),
        18: at(water, warmth.argmax(axis=0)), 19: at(water, warmth.argmin(axis=0)),
    }.items():  # fmt: skip
        given_to = {8: (temperature, rain), 9: (temperature, rain), 10: (temperature,), 11: (temperature,),
                    16: (rain,), 17: (rain,), 18: (temperature, rain), 19: (temperature, rain)}[number]  # fmt: skip
        np.testing.assert_array_equal(getattr(bioclim, f"bio{number}")(*given_to), made.astype(np.float32))


@settings(deadline=None)
@given(warm, wet, st.integers(1, 11))
def test_what_the_calendar_does_not_matter_to_stays_when_it_turns(temperature, rain, months):
    turned = [np.roll(layer, months, axis=0) for layer in (temperature - 5, temperature + 5, rain)]
    plain = bioclim.bioclimatic(temperature - 5, temperature + 5, rain)
    made = bioclim.bioclimatic(*turned)
    for name in ("bio1", "bio2", "bio4", "bio5", "bio6", "bio7", "bio10", "bio11", "bio12", "bio16", "bio17"):
        np.testing.assert_allclose(made[name], plain[name], rtol=1e-5, atol=1e-3)


def test_the_first_of_equal_quarters_holds():
    rain = year(0, 10, 0, 0, 0, 0, 0, 10, 0, 0, 0, 0)  # wettest from December, January, February, June, July and August
    temperature = year(*range(12))
    assert bioclim.bio8(temperature, rain)[0, 0] == 1.0  # January to March
    assert bioclim.bio9(temperature, rain)[0, 0] == 3.0  # March to May is the first dry one


def test_a_quarter_runs_from_december_into_january():
    rain = year(10, 10, 0, 0, 0, 0, 0, 0, 0, 0, 0, 10)
    assert bioclim.bio16(rain)[0, 0] == 30.0
    assert bioclim.bio8(year(3, 6, 0, 0, 0, 0, 0, 0, 0, 0, 0, 9), rain)[0, 0] == 6.0


@pytest.mark.parametrize("month", [0, 5, 11])
def test_one_missing_month_makes_every_variable_of_it_missing(month):
    tmin, tmax, rain = year(*range(12)), year(*range(8, 20)), year(*[50] * 12)
    for layer, untouched in (
        (tmin, {"bio5", "bio12", "bio13", "bio14", "bio15", "bio16", "bio17"}),
        (tmax, {"bio6", "bio12", "bio13", "bio14", "bio15", "bio16", "bio17"}),
        (rain, {"bio1", "bio2", "bio3", "bio4", "bio5", "bio6", "bio7", "bio10", "bio11"}),
    ):
        kept = layer[month].copy()
        layer[month] = np.nan
        made = bioclim.bioclimatic(tmin, tmax, rain)
        assert {name for name, value in made.items() if not np.isnan(value[0, 0])} == untouched
        layer[month] = kept


def test_a_place_without_any_range_or_rain_has_no_shares_of_them():
    even, dry = year(*[10] * 12), year(*[0] * 12)
    assert np.isnan(bioclim.bio3(even, even)[0, 0])
    assert bioclim.bio15(dry)[0, 0] == 0.0
    assert np.isnan(bioclim.bio15(dry, added=0.0)[0, 0])


@settings(deadline=None)
@given(warm, wet, st.integers(0, 1), st.integers(0, 1))
def test_one_cell_alone_gives_the_same_bits(temperature, rain, row, col):
    at = (slice(None), slice(row, row + 1), slice(col, col + 1))
    whole = bioclim.bioclimatic(temperature - 3, temperature + 4, rain)
    alone = bioclim.bioclimatic((temperature - 3)[at], (temperature + 4)[at], rain[at])
    for name, values in alone.items():
        np.testing.assert_array_equal(values[0, 0], whole[name][row, col])


def test_shapes_are_checked():
    with pytest.raises(ValueError, match="twelve"):
        bioclim.bio10(np.zeros((3, 2, 2)))
    with pytest.raises(ValueError, match="differ"):
        bioclim.bio18(np.zeros((12, 2, 2)), np.zeros((12, 2, 3)))
