"""The sun on slopes: what the equations must keep, whatever their coefficients."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.indicators import direct_radiation, heat_load, radiation_of

ANGLE = st.floats(0.0, 360.0)
STEEP = st.floats(0.0, 60.0)
LATITUDE = st.floats(0.0, 60.0)


def plane(slope, aspect, cell=10.0):
    """Nine cells of a plane that dips towards an aspect."""
    rise = -np.tan(np.radians(slope))
    x, y = np.meshgrid([-cell, 0.0, cell], [cell, 0.0, -cell])
    return 100.0 + rise * (x * np.sin(np.radians(aspect)) + y * np.cos(np.radians(aspect)))


@given(STEEP, ANGLE, LATITUDE, st.sampled_from(["1", "2"]))
def test_radiation_is_alike_east_and_west_and_heat_load_on_both_sides_of_the_south_west(steep, aspect, lat, equation):
    def near(a, b):
        return np.isclose(a, b, rtol=1e-9)

    assert near(radiation_of(steep, aspect, lat, equation), radiation_of(steep, 360.0 - aspect, lat, equation))
    assert near(
        radiation_of(steep, aspect, lat, equation, 225.0), radiation_of(steep, 450.0 - aspect, lat, equation, 225.0)
    )


@given(STEEP, ANGLE, LATITUDE, st.sampled_from(["1", "2"]), st.sampled_from([180.0, 225.0]))
def test_the_south_is_the_mirror_of_the_north(steep, aspect, lat, equation, warmest):
    north = radiation_of(steep, aspect, lat, equation, warmest)
    assert np.isclose(radiation_of(steep, 180.0 - aspect, -lat, equation, warmest), north, rtol=1e-9) or lat == 0.0


@pytest.mark.parametrize("equation", ["1", "2"])
@pytest.mark.parametrize(("slope", "aspect"), [(0.0, 0.0), (10.0, 30.0), (35.0, 200.0), (55.0, 271.0)])
def test_heights_give_what_their_slope_and_aspect_give(equation, slope, aspect):
    z = plane(slope, aspect)
    for lat in (44.0, -38.0):
        made = direct_radiation(z, 10, 10, latitude=lat, equation=equation)[1, 1]
        assert made == pytest.approx(radiation_of(slope, aspect, lat, equation), rel=1e-5)
        made = heat_load(z, 10, 10, latitude=lat, equation=equation)[1, 1]
        assert made == pytest.approx(radiation_of(slope, aspect, lat, equation, 225.0), rel=1e-5)


def test_slopes_and_latitudes_beyond_those_it_was_fitted_to_are_missing():
    assert np.isnan(radiation_of(30.0, 180.0, 60.1))
    assert np.isnan(radiation_of(30.0, 180.0, -60.1))
    assert np.isnan(radiation_of(60.5, 180.0, 40.0, "2"))
    assert np.isfinite(radiation_of([60.0, 89.0], 180.0, 40.0, "1")).all()
    assert np.isfinite(radiation_of(60.0, 180.0, 40.0, "2"))
    assert np.isnan(heat_load(plane(20, 180), 10, 10, latitude=np.full((3, 3), 61.0))).all()


def test_a_missing_neighbour_leaves_it_missing():
    z = plane(20.0, 180.0)
    z[0, 2] = np.nan
    assert np.isnan(heat_load(z, 10, 10)).all()


def test_the_suspect_third_equation_is_not_there():
    with pytest.raises(ValueError, match="equation"):
        radiation_of(30.0, 180.0, 40.0, "3")
