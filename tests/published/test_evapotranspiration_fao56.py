"""Sun, daylight and evapotranspiration against FAO-56's printed examples and against figures worked out apart.

FAO-56 is Allen, Pereira, Raes and Smith 1998; its examples are from memory unless a line says where they were read.
The sites are invented; what is said of them was worked out beforehand with other code.
"""

from __future__ import annotations

import numpy as np
import pytest

from underoak.indicators.climate.evapotranspiration import (
    hargreaves,
    hargreaves_months,
    hargreaves_year,
    heat_index,
    thornthwaite_months,
    thornthwaite_year,
)
from underoak.indicators.climate.sun import MM_PER_MJ, daylight_hours, extraterrestrial_radiation
from underoak.indicators.climate.water_balance import (
    ARIDITY_CLASSES,
    aridity_class,
    aridity_hargreaves,
    aridity_index,
    aridity_thornthwaite,
    summer_balance,
)


def year(*months):
    return np.float32(months).reshape(12, 1, 1)


def one(made):
    return float(np.squeeze(made))


# An invented site at 45 N.
TMIN = year(-2, -1, 2, 5, 9, 13, 15, 15, 11, 7, 2, -1)
TMAX = year(6, 8, 12, 15, 20, 24, 28, 27, 22, 16, 10, 7)
RAIN = year(40, 35, 50, 60, 70, 65, 30, 40, 75, 90, 85, 60)
TEMPERATURE = (TMIN + TMAX) / 2

# Another at 44 N, worked out with other days in the middle of the months.
TMIN_44 = year(-2, -1, 1, 4, 8, 12, 14, 13, 11, 7, 3, 0)
TMAX_44 = year(8, 9, 13, 16, 20, 24, 28, 27, 23, 17, 11, 8)
RAIN_44 = year(45, 40, 50, 65, 75, 60, 40, 50, 70, 80, 75, 55)
TEMPERATURE_44 = (TMIN_44 + TMAX_44) / 2
DAYS_44 = (16, 46, 75, 106, 136, 166, 197, 228, 258, 289, 320, 350)
DAYS_44_SUN = (15, 46, 74, 105, 135, 162, 198, 228, 258, 288, 318, 344)


def test_radiation_of_the_third_of_september_at_20_south():
    # FAO-56 example 8, eqs 21 to 25: 32.2; read as a documentation page quotes it. 13.135 mm by eq. 20.
    made = one(extraterrestrial_radiation(-20.0, 246))
    assert made == pytest.approx(32.1940, abs=5e-5)
    assert made * MM_PER_MJ == pytest.approx(13.135, abs=5e-4)


def test_daylight_of_the_third_of_september_at_20_south():
    # FAO-56 example 9, eq. 34: 11.7 h; a documentation page that was read gives 11.66559.
    assert one(daylight_hours(-20.0, 246)) == pytest.approx(11.66559, abs=5e-6)


@pytest.mark.parametrize(
    ("latitude", "day", "radiation", "hours"),
    [
        (45, 15, 11.931, 8.955), (45, 196, 40.5995, 15.0867), (0, 80, 37.8242, 12.0), (50, 172, 41.781, 16.147),
        (60, 172, 41.3307, 18.4873), (-35, 15, 43.363, 14.103), (70, 172, 42.6950, 24.0), (70, 1, 0.0, 0.0),
        (-22.9, 135, 25.1, 10.9),
    ],
)  # fmt: skip
def test_radiation_and_daylight_elsewhere(latitude, day, radiation, hours):
    # Equations 21 and 34 worked out apart, polar day and night cut off; the last is FAO-56 example 10, from memory.
    places = 0.05 if latitude == -22.9 else 1e-3
    assert one(extraterrestrial_radiation(latitude, day)) == pytest.approx(radiation, abs=places)
    assert one(daylight_hours(latitude, day)) == pytest.approx(hours, abs=places)


def test_hargreaves_at_lyon_in_july():
    # FAO-56 example 20, eq. 52: 5.0 mm/d. Megajoules taken for millimetres would give 12.35.
    assert one(hargreaves(14.8, 26.6, 40.6)) == pytest.approx(5.0387, abs=1e-3)


@pytest.mark.parametrize(("degrees", "index", "unadjusted"), [(20, 97.881378, 73.8683), (10, 34.272096, 48.8934)])
def test_thornthwaite_of_an_even_year(degrees, index, unadjusted):
    # Thornthwaite 1948, formula from memory. The equator has twelve hours all year.
    even = year(*[degrees] * 12)
    assert one(heat_index(even)) == pytest.approx(index, rel=1e-6)
    made = thornthwaite_months(even, 0.0)
    assert one(made[3]) == pytest.approx(unadjusted, abs=1e-4)  # April has thirty days
    assert one(made[0]) == pytest.approx(unadjusted * 31 / 30, abs=1e-4)


def test_thornthwaite_of_a_hot_month():
    # The curve is that of Willmott, Rowe and Mintz 1985, as open code quotes it; the table of 1948 that it follows has
    # 14.78 cm at 28 degrees and 18.50 cm at 38, as a listing in the same code has it.
    made = thornthwaite_months(year(28, *[40] * 11), 0.0)
    assert one(made[0]) / (31 / 30) == pytest.approx(147.8, abs=2.5)
    assert one(made[3]) == pytest.approx(185.0, abs=4.0)


def test_thornthwaite_of_a_year_at_45_north():
    made = thornthwaite_months(TEMPERATURE, 45.0)
    assert one(heat_index(TEMPERATURE)) == pytest.approx(46.901089, rel=1e-6)
    assert one(made[6]) == pytest.approx(135.842, abs=1e-3)
    assert one(made[0]) == pytest.approx(4.314, abs=1e-3)
    assert one(thornthwaite_year(TEMPERATURE, 45.0)) == pytest.approx(679.775, abs=1e-3)


def test_hargreaves_of_a_year_at_45_north():
    made = hargreaves_months(TMIN, TMAX, 45.0)
    assert one(made[6]) == pytest.approx(167.353, abs=1e-3)
    assert one(made[11]) == pytest.approx(17.974, abs=1e-3)
    assert one(hargreaves_year(TMIN, TMAX, 45.0)) == pytest.approx(940.918, abs=1e-3)


def test_both_methods_at_44_north():
    made = thornthwaite_months(TEMPERATURE_44, 44.0, DAYS_44)
    months = [7.2, 10.5, 26.4, 45.1, 77.5, 107.0, 130.8, 113.4, 80.1, 46.9, 20.4, 9.9]
    np.testing.assert_allclose(made[:, 0, 0], months, atol=0.05)
    assert one(thornthwaite_year(TEMPERATURE_44, 44.0, DAYS_44)) == pytest.approx(675.20, abs=5e-3)
    made = hargreaves_months(TMIN_44, TMAX_44, 44.0, DAYS_44_SUN)
    months = [24.0, 32.7, 63.3, 90.9, 126.0, 145.8, 170.8, 146.6, 96.0, 55.6, 27.6, 20.2]
    np.testing.assert_allclose(made[:, 0, 0], months, atol=0.05)
    assert one(hargreaves_year(TMIN_44, TMAX_44, 44.0, DAYS_44_SUN)) == pytest.approx(999.58, abs=5e-3)


def test_a_wet_year_hides_a_dry_summer():
    taken = thornthwaite_months(TEMPERATURE_44, 44.0, DAYS_44)
    assert RAIN_44.sum() - taken.sum() == pytest.approx(29.80, abs=5e-3)
    assert one(summer_balance(RAIN_44, taken, 44.0)) == pytest.approx(-201.15, abs=5e-3)


def test_aridity_depends_on_the_method():
    assert one(aridity_hargreaves(RAIN, TMIN, TMAX, 45.0)) == pytest.approx(0.74395, abs=1e-5)
    assert one(aridity_thornthwaite(RAIN, TEMPERATURE, 45.0)) == pytest.approx(1.02975, abs=1e-5)
    assert one(aridity_index(705, 675.20)) == pytest.approx(1.0441, abs=1e-4)
    assert one(aridity_index(705, 999.58)) == pytest.approx(0.7053, abs=1e-4)


def test_edges_of_the_classes_of_aridity():
    # UNEP 1992, World Atlas of Desertification; the edges as a data set's sheet prints them, read.
    made = aridity_class([0.049, 0.05, 0.20, 0.50, 0.65])
    named = [ARIDITY_CLASSES[int(code) - 1] for code in made]
    assert named == ["hyper-arid", "arid", "semi-arid", "dry sub-humid", "humid"]


def test_a_frozen_year_takes_nothing():
    frozen = year(*range(-11, 1))
    assert one(heat_index(frozen)) == 0.0
    assert one(thornthwaite_year(frozen, 60.0)) == 0.0
