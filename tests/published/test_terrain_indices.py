"""Sun on slopes, curvature, wetness and position against known values.

The coefficients of McCune and Keon (2002) are from memory, and so are the definitions of Zevenbergen and Thorne (1987)
and of Beven and Kirkby (1979). The values follow from the formulas and were worked out apart from this code.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from underoak.indicators import plan_curvature, profile_curvature, radiation_of, topographic_position, wetness_index
from underoak.indicators.cell_size import CellSizes

RADIATION, HEAT = 180.0, 225.0


@pytest.mark.parametrize(("latitude", "value"), [(0, 1.1219), (30, 0.9076), (45, 0.7058), (60, 0.5086)])
def test_level_ground_by_equation_1(latitude, value):  # B12
    assert radiation_of(0.0, np.nan, latitude, "1") == pytest.approx(value, abs=5e-5)


@pytest.mark.parametrize(
    ("latitude", "slope", "aspect", "first", "second", "first_heat", "second_heat"),
    [  # B13, B14, B15 and further ones
        (45, 0, 0, 0.7058, 0.7547, 0.7058, 0.7547),
        (40, 30, 180, 0.9806, 0.9955, 1.0553, 0.9985),
        (40, 30, 0, 0.3739, 0.4111, 0.5337, 0.5342),
        (40, 30, 225, 1.0553, 0.9985, 0.9806, 0.9955),
        (45, 20, 180, 0.8901, 0.9174, 0.9269, 0.9112),
        (45, 20, 0, 0.4309, 0.4715, 0.5549, 0.5691),
    ],
)
def test_slopes_by_both_equations_and_both_folds(latitude, slope, aspect, first, second, first_heat, second_heat):
    for equation, fold, value in (("1", RADIATION, first), ("2", RADIATION, second),
                                  ("1", HEAT, first_heat), ("2", HEAT, second_heat)):  # fmt: skip
        assert radiation_of(slope, aspect, latitude, equation, fold) == pytest.approx(value, abs=5.1e-5)


def test_folds_at_40_north_on_30_degrees():  # B13, B14, B15
    np.testing.assert_allclose(radiation_of(30.0, [90, 270], 40.0, "1"), 0.8202, atol=5e-5)
    np.testing.assert_allclose(radiation_of(30.0, [45, 180, 90, 270], 40.0, "1", HEAT),
                               [0.3739, 1.0553, 0.5337, 1.0553], atol=5e-5)  # fmt: skip
    assert radiation_of(30.0, 90.0, 40.0, "2") == pytest.approx(0.7716, abs=5e-5)


def beam(latitude, slope, aspect):
    """Direct sunshine of a year [MJ cm-2], by following the sun: our own integration, with an air mass of 1/sin."""
    lat, tilt, face = np.radians([latitude, slope, aspect])
    day, hour = np.meshgrid(np.arange(1, 366, 5), np.arange(-12, 12, 0.25) + 0.125, indexing="ij")
    tip, turn = 0.409 * np.sin(2 * np.pi * day / 365 - 1.39), np.radians(15.0 * hour)
    up = np.sin(lat) * np.sin(tip) + np.cos(lat) * np.cos(tip) * np.cos(turn)
    north = np.cos(lat) * np.sin(tip) - np.sin(lat) * np.cos(tip) * np.cos(turn)
    east = -np.cos(tip) * np.sin(turn)
    on = up * np.cos(tilt) + np.sin(tilt) * (north * np.cos(face) + east * np.sin(face))
    power = 1353.0 * 0.9 ** (1.0 / np.maximum(up, 0.01)) * np.where((up > 0) & (on > 0), on, 0.0)
    return power.sum() * 5 * 900 / 1e10


def test_both_equations_agree_with_the_suns_path():  # B22: mean ratio near 1, correlation above 0.95
    places = list(product((30, 40, 50, 60), (0, 20, 40, 60), (0, 90, 135, 180)))
    true = np.array([beam(*place) for place in places])
    for equation, least in (("1", 0.96), ("2", 0.98)):
        made = np.array([float(radiation_of(s, a, lat, equation)) for lat, s, a in places])
        assert np.corrcoef(made, true)[0, 1] > least
        assert np.sqrt(np.mean((made - true) ** 2)) < 0.09


def test_curvature_of_a_paraboloid_and_a_saddle():  # B08, B09
    x, y = np.meshgrid([10.0, 20.0, 30.0], [25.0, 15.0, 5.0])
    bowl, saddle = (x**2 + y**2) / 200.0, x * y / 100.0
    assert profile_curvature(bowl, 10, 10)[1, 1] == pytest.approx(-0.01, abs=1e-8)
    assert plan_curvature(bowl, 10, 10)[1, 1] == pytest.approx(0.01, abs=1e-8)
    assert profile_curvature(saddle, 10, 10)[1, 1] == pytest.approx(-0.0096, abs=1e-8)
    assert plan_curvature(saddle, 10, 10)[1, 1] == pytest.approx(-0.0096, abs=1e-8)


@pytest.mark.parametrize(("cells", "cell", "steep", "value"), [(10, 10.0, 5.0, 7.041416), (100, 30.0, 10.0, 9.741783)])
def test_wetness_of_a_tilted_plane(cells, cell, steep, value):  # B18: ln(n c / tan b); float32 heights give 1e-5
    pytest.importorskip("pyflwdir")
    fall = -np.arange(cells + 2) * cell * np.tan(np.radians(steep))
    plane = np.tile(fall, (5, 1)).astype(np.float32)
    side = np.full(5, cell)
    made = wetness_index(plane, [CellSizes(0, cells + 2, side, side, np.zeros(5), np.full(5, 90.0))])
    assert made[2, cells - 1] == pytest.approx(value, abs=1e-5)


def test_wetness_of_a_level_plain_stops_at_a_tenth_of_a_degree():  # B19: never infinite
    pytest.importorskip("pyflwdir")
    side = np.full(3, 10.0)
    made = wetness_index(np.zeros((3, 3), np.float32), [CellSizes(0, 3, side, side, np.zeros(3), np.full(3, 90.0))])
    least, most = (np.log(cells * 10.0 / np.tan(np.radians(0.1))) for cells in (1, 9))
    assert least - 1e-5 <= made[1, 1] <= most + 1e-5


def test_position_on_a_plane_is_nothing_and_on_a_cone_by_hand():
    plane = np.add.outer(0.4 * np.arange(21), 0.3 * np.arange(21)).astype(np.float32) * 10
    np.testing.assert_allclose(topographic_position(plane, 10, 10, radius=50)[5:-5, 5:-5], 0.0, atol=6e-4)
    cone = np.zeros((3, 3), np.float32)
    cone[1, 1] = 13.0
    assert topographic_position(cone, 10, 10, radius=10)[1, 1] == pytest.approx(13.0 - 13.0 / 5)
    assert topographic_position(cone, 10, 10, radius=15, inner=12)[1, 1] == 13.0
