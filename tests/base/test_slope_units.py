"""A slope in % is the tangent of its angle; angles and shares are never taken for each other."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.base.units import any_step, conversion, slope_step
from underoak.layers.decoding.encoding import Encoding

ANGLES = st.floats(0.0, 89.9)


@given(ANGLES, st.sampled_from([("percent", 100.0), ("permille", 1000.0), ("m/m", 1.0), ("cm/m", 100.0), ("1", 1.0)]))
def test_a_gradient_is_the_tangent_of_the_angle_and_back(angle, unit):
    name, factor = unit
    gradient = any_step("degree", name)(angle)
    assert gradient == pytest.approx(factor * math.tan(math.radians(angle)), rel=1e-9)
    assert any_step(name, "degree")(gradient) == pytest.approx(angle, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(("gradient", "angle"), [(100.0, 45.0), (0.0, 0.0), (20.0, 11.309932474), (58.0, 30.113733)])
def test_known_slopes(gradient, angle):
    """45 degrees rise as much as they run; the others by the tables of any surveyor (from memory)."""
    assert any_step("percent", "degree")(gradient) == pytest.approx(angle, abs=1e-6)


@pytest.mark.parametrize(
    ("a", "b"), [("g/kg", "degree"), ("degree", "cm3/dm3 * g/kg"), ("percent", "pH"), ("m", "degree"), ("K", "degree")]
)
def test_other_pure_numbers_are_no_slopes(a, b):
    assert slope_step(a, b) is None
    with pytest.raises(UnderoakError, match="E341"):
        any_step(a, b)


@pytest.mark.parametrize(("a", "b"), [("percent", "degree"), ("degree", "1"), ("rad/s", "Hz")])
def test_an_angle_is_no_pure_number(a, b):
    with pytest.raises(UnderoakError, match="E341"):
        conversion(a, b)


@given(st.lists(st.floats(0.0, 500.0, width=32), min_size=1, max_size=20), st.floats(1.0, 89.0))
def test_stored_gradients_decode_as_the_step_says_and_bounds_are_those_of_the_angle(gradients, highest):
    step = any_step("percent", "degree")
    stored = np.array([gradients], np.float32)
    decoded = Encoding(low=0.0, high=highest).then(step).decode(stored)
    angles = step(stored.astype(np.float64))
    is_inside = angles.astype(np.float32) <= np.float32(highest)
    near = np.abs(angles - highest) < 1e-4
    np.testing.assert_array_equal(np.isnan(decoded.values)[~near], ~is_inside[~near])
    shown = ~np.isnan(decoded.values)
    np.testing.assert_allclose(decoded.values[shown], angles[shown], rtol=2e-7, atol=1e-30)
    assert decoded.implausible == np.count_nonzero(~shown)


def test_a_vertical_wall_has_a_finite_gradient():
    decoded = Encoding(low=0.0).then(any_step("degree", "percent")).decode(np.array([[0.0, 45.0, 90.0]], np.float32))
    assert decoded.values[0, :2] == pytest.approx([0.0, 100.0], rel=1e-6)
    assert 1e6 < decoded.values[0, 2] < 1e7
