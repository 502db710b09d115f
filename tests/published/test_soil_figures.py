"""Soil depths, organic matter, carbonate, and pH by one method from pH by another."""

from __future__ import annotations

import numpy as np
import pytest

from underoak.base import units
from underoak.indicators.soil.ph import CONVERSION_SD, convert_ph, converted_sd, mean_ph
from underoak.indicators.soil.properties import MODERN, carbonate, depth_mean, organic_matter, stock

TENTHS = np.float32([72, 74, 78, 80])
EDGES = (0, 5, 15, 30, 60)


@pytest.mark.parametrize(("bottom", "expected"), [(30, 75.6667), (60, 77.8333)])
def test_mean_over_a_depth(bottom, expected):  # weights 5, 10, 15, 30 by hand
    assert float(depth_mean(TENTHS, EDGES, 0, bottom)) == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize(
    ("given", "wanted", "ph", "expected"),
    [
        ("water 1:2.5", "water 1:5", 7.5, 7.565),  # Kabała et al. 2016, abstract read
        ("KCl 1:2.5", "water 1:5", 6.5, 7.46354),  # the same
        ("KCl 1:2.5", "KCl 1:5", 6.5, 6.59),  # the same
        ("water 1:2.5", "CaCl2 1:2.5", 7.0, 6.45),  # Conyers and Davey 1988, abstract read
        ("CaCl2 1:2.5", "water 1:2.5", 7.5, 8.0),  # the same, turned round by algebra
        ("water 1:1", "water 1:5", 7.5, 7.44),  # Libohova et al. 2014, abstract read
    ],
)
def test_ph_by_another_method(given, wanted, ph, expected):
    assert float(convert_ph(ph, given, wanted)) == pytest.approx(expected, abs=5e-6)


def test_a_conversion_adds_its_doubt():
    # 0.3 is common practice, no source; 0.44 is the root mean square error in Libohova et al. 2014, abstract read.
    assert converted_sd(0.0, "water 1:2.5", "water 1:5") == CONVERSION_SD == 0.3
    assert converted_sd(0.33, "water 1:1", "water 1:5") == pytest.approx(0.55)


def test_two_means_of_ph():  # by definition
    assert float(mean_ph([6.0, 8.0])) == 7.0
    assert float(mean_ph([6.0, 8.0], by="acid")) == pytest.approx(6.296709, abs=1e-6)


def test_organic_matter_by_two_factors():  # van Bemmelen 1.724, common practice; 2.0, from memory
    assert float(organic_matter(1.0)) == pytest.approx(1.724, abs=1e-6)
    assert float(organic_matter(1.0, MODERN)) == 2.0


def test_lime_in_a_hectare():  # 1 % in 20 cm at 1.3 g/cm3: arithmetic
    assert float(stock(1.0, 20.0)) == 26.0


def test_carbonate_of_its_own_carbon():  # 12 % of calcium carbonate is carbon: atomic weights
    assert float(carbonate(11.9999)) == pytest.approx(100.0, abs=0.01)


def test_stones_per_mille_are_a_tenth_of_per_cent():  # arithmetic; one printed manual says a hundredth
    assert units.conversion("cm3/dm3", "percent")(150.0) == pytest.approx(15.0)
