"""Radiation over the path of the sun against pvlib, a solar library, which computes the sun's position another way."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from underoak.indicators import direct_radiation, heat_load, radiation_of, sun_path_radiation


def plane(slope, aspect, cell=10.0):
    """Nine cells of a plane that dips towards an aspect."""
    rise = -np.tan(np.radians(slope))
    x, y = np.meshgrid([-cell, 0.0, cell], [cell, 0.0, -cell])
    return 100.0 + rise * (x * np.sin(np.radians(aspect)) + y * np.cos(np.radians(aspect)))


def radiation(slope, aspect, latitude):
    return float(sun_path_radiation(plane(slope, aspect), 10, 10, latitude=latitude)[1, 1])


@cache
def sky(latitude):
    """Zenith and azimuth of the sun [degree] and direct radiation [W m-2], every ten minutes of 2023, by pvlib."""
    import pandas as pd
    import pvlib

    times = pd.date_range("2023-01-01", "2023-12-31 23:50", freq="10min", tz="UTC")
    position = pvlib.solarposition.get_solarposition(times, latitude, 0.0, altitude=0)
    air_mass = pvlib.atmosphere.get_relative_airmass(position.zenith, "kastenyoung1989")
    outside = pvlib.irradiance.get_extra_radiation(times, 1361.0, "spencer")
    return position.zenith, position.azimuth, (outside * 0.7**air_mass**0.678).where(position.zenith < 90.0, 0.0)


@pytest.mark.parametrize("latitude", [-38.4, -3.3, 23.5, 44.7, 59.9, 66.2])
def test_radiation_is_that_of_a_solar_library(latitude):
    import pvlib

    zenith, azimuth, direct = sky(latitude)
    level = radiation(0.0, 0.0, latitude)
    rng = np.random.default_rng(int(latitude * 10) % 97)
    for slope, aspect in [(0.0, 0.0), *zip(rng.uniform(0, 85, 6), rng.uniform(0, 360, 6), strict=True)]:
        facing = pvlib.irradiance.aoi_projection(slope, aspect, zenith, azimuth)
        expected = float((direct * np.maximum(facing, 0.0)).sum()) * 600.0 / 1e6
        assert abs(radiation(slope, aspect, latitude) - expected) < 2e-3 * level, (slope, aspect)


@pytest.mark.parametrize("latitude", [30.0, 45.0, 58.0])
def test_the_sunniest_slope_faces_south_and_by_the_regression_it_does_not(latitude):
    aspects = np.arange(90, 271)
    ours = [radiation(30.0, aspect, latitude) for aspect in aspects]
    assert aspects[int(np.argmax(ours))] == 180
    beside = {}
    for equation in ("1", "2"):
        values = radiation_of(30.0, aspects.astype(float), latitude, equation)
        beside[equation] = abs(int(aspects[int(np.argmax(values))]) - 180)
        assert beside[equation] >= 15
    if latitude == 45.0:
        assert beside == {"1": 30, "2": 21}


def test_regression_and_path_rank_slopes_alike_where_both_hold():
    rng = np.random.default_rng(5)
    slopes, aspects = rng.uniform(5, 40, 60), rng.uniform(0, 360, 60)
    ours = [radiation(*each, 44.0) for each in zip(slopes, aspects, strict=True)]
    theirs = [
        float(direct_radiation(plane(*each), 10, 10, latitude=44.0)[1, 1]) for each in zip(slopes, aspects, strict=True)
    ]
    assert np.corrcoef(np.argsort(np.argsort(ours)), np.argsort(np.argsort(theirs)))[0, 1] > 0.95
    assert np.isfinite(heat_load(plane(10, 10), 10, 10, latitude=44.0)[1, 1])


def test_the_south_is_the_mirror_of_the_north_but_for_the_distance_of_the_sun():
    """The Earth is nearest to the sun in January, so the southern summer is stronger and its winter weaker."""
    for slope, aspect, latitude in ((0.0, 0.0, 40.0), (25.0, 150.0, 41.5), (50.0, 300.0, 12.0)):
        north, south = radiation(slope, aspect, latitude), radiation(slope, 180.0 - aspect, -latitude)
        assert south == pytest.approx(north, rel=0.01)


def test_latitude_by_cell_is_continuous_and_morning_is_as_afternoon():
    z = np.tile(np.arange(9.0)[:, None], (1, 9)) * 3.0
    degrees = np.broadcast_to(np.linspace(43.9, 44.1, 9)[:, None], (9, 9))
    cells = sun_path_radiation(z, 10, 10, latitude=degrees)[1:-1, 1:-1]
    change = np.diff(cells[:, 0])
    assert (change < 0).all() or (change > 0).all()
    assert radiation(20.0, 70.0, 51.0) == pytest.approx(radiation(20.0, 290.0, 51.0), rel=1e-6)
    assert np.isnan(sun_path_radiation(z, 10, 10, latitude=np.nan)).all()
