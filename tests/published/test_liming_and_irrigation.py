"""How much lime and water: the growers' lower bound, the farm tables, and plain arithmetic."""

from __future__ import annotations

import numpy as np
import pytest

from underoak.indicators.soil.lime_and_water import (
    LIME_FACTORS,
    LIME_FACTORS_GRASS,
    lime_need,
    lime_need_by_texture,
    lime_product,
    water_deficit,
    water_volume,
)


@pytest.mark.parametrize(
    ("ph", "depth", "expected"), [(6.0, 30, 57.0), (6.5, 20, 28.0), (7.0, 25, 22.5), (7.9, 30, 0.0), (8.0, 30, 0.0)]
)
def test_lower_bound_to_79(ph, depth, expected):
    # A tonne for each tenth of pH and 10 cm: growers' rule from New Zealand; 57 t/ha as a page of theirs has it.
    assert float(lime_need(ph, 7.9, depth)) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("texture", "ph", "expected"),
    [
        ("sandy loam", 5.8, 6.3), ("clay", 6.2, 4.0), ("clay", 6.7, 0.0), ("clay", 7.4, 0.0),
        ("sand", 6.4, 1.8), ("sand", 6.0, 4.2), ("sand", 5.4, 7.8),
    ],
)  # fmt: skip
def test_farm_table_to_67(texture, ph, expected):
    # RB209 (AHDB), form and factors 6, 7, 8 read on an adviser's page; the sands as in an older merchant's table, read.
    assert float(lime_need_by_texture(ph, 6.7, texture)) == pytest.approx(expected, abs=1e-9)


def test_factors_of_the_farm_tables():  # RB209, from memory beyond 6, 7 and 8
    names = ("sand", "loamy sand", "sandy loam", "silt loam", "clay loam", "clay", "organic", "peat")
    assert [LIME_FACTORS[name] for name in names] == [6, 6, 7, 7, 8, 8, 8, 16]
    assert [LIME_FACTORS_GRASS[name] for name in names] == [4, 4, 5, 5, 6, 6, 6, 12]


def test_farm_tables_are_not_stretched_beyond_ph_7():
    assert np.isnan(lime_need_by_texture(6.0, 7.9, "clay"))


def test_pure_carbonate_has_a_neutralising_value_of_56():  # 56.077 of CaO in 100.087 of CaCO3: atomic weights
    assert float(lime_product(1.0, 100 * 56.077 / 100.087)) == pytest.approx(1.0, abs=1e-4)
    assert float(lime_product(10.0, 80.0)) == pytest.approx(7.0, abs=0.01)


def test_a_millimetre_on_a_hectare_is_ten_cubic_metres():  # arithmetic
    assert float(water_volume(water_deficit(100.0, 145.0))) == 450.0
