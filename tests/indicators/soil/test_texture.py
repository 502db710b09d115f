"""Texture classes: sums that are off, missing fractions, tables by name."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.indicators.soil.texture import TEXTURES, texture_class, texture_codes, texture_fractions

shares = st.floats(0, 100)


@settings(deadline=None)
@given(shares, shares, st.floats(0.951, 1.049))
def test_a_common_factor_changes_no_class(sand, part, factor):
    silt = (100 - sand) * part / 100
    given_to = np.array([sand, silt, 100 - sand - silt]).clip(0)
    made = texture_fractions(*(given_to * factor))
    assert made.off == 0
    np.testing.assert_allclose([made.sand, made.silt, made.clay], given_to, atol=1e-4)
    assert 1 <= float(texture_class(*(given_to * factor))) <= 12


@pytest.mark.parametrize("total", [94.9, 105.1, 0.0, 1000.0])
def test_sums_too_far_from_100_are_missing_and_counted(total):
    part = np.full((2, 2), total / 4)
    made = texture_fractions(part, part, 2 * part)
    assert made.off == 4
    assert np.isnan(texture_class(part, part, 2 * part)).all()


def test_missing_fractions_are_missing_and_not_counted_as_off():
    made = texture_fractions([np.nan, 40.0], [40.0, 40.0], [20.0, 20.0])
    assert made.off == 0
    assert np.isnan(made.sand).tolist() == [True, False]
    assert np.isnan(texture_class([np.nan, 40.0], [40.0, 40.0], [20.0, 20.0])).tolist() == [True, False]


def test_a_negative_fraction_is_off():
    assert texture_fractions(-1.0, 51.0, 50.0).off == 1


def test_shapes_must_agree():
    with pytest.raises(ValueError, match="shape"):
        texture_class(np.zeros(2), np.zeros(2), np.zeros(3))


def test_a_table_by_name_becomes_one_by_code():
    assert texture_codes({name: code for code, name in enumerate(TEXTURES, 1)}) == {n: n for n in range(1, 13)}


def test_every_wrong_name_is_told_at_once():
    with pytest.raises(UnderoakError) as caught:
        texture_codes({"laom": 1.0, "loam": 1.0, "chalk": 0.2})
    assert [fault.code for fault in caught.value.faults] == ["E345", "E345"]
    assert '"loam"' in caught.value.faults[0].fix
