"""The compiled arctangent that slopes are made of."""

import math

import numpy as np

from underoak.indicators.terrain.slope_kernels import arctan


def test_it_agrees_with_the_library_to_far_more_digits_than_a_slope_keeps():
    tangents = np.concatenate([np.geomspace(1e-12, 1e12, 4001), np.linspace(0.0, 6.0, 4001)])
    found = np.array([arctan(tangent) for tangent in tangents])
    assert np.allclose(found, np.arctan(tangents), rtol=2e-11, atol=0.0)


def test_level_is_exactly_level_and_a_wall_exactly_upright():
    assert arctan(0.0) == 0.0
    assert arctan(math.inf) == math.pi / 2
    assert math.isnan(arctan(math.nan))


def test_steeper_is_never_less_by_what_a_slope_keeps():
    tangents = np.sort(np.concatenate([np.tan(np.pi * k / 16) + np.arange(-50, 50) * 1e-15 for k in (1, 3, 5, 7)]))
    found = np.array([arctan(tangent) for tangent in tangents])
    assert np.diff(found).min() >= -4e-12
    assert np.diff(np.float32(np.rad2deg(found))).min() >= 0.0
