"""A shift between datums that is left out is known, with its size."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.crs import left_out_shift

UTM = "+proj=utm +zone=31 +ellps={} +units=m"


@pytest.mark.parametrize(
    ("source", "target", "x", "y"),
    [
        ("EPSG:4326", "EPSG:25831", 3.0, 45.0),  # current datums
        ("EPSG:23031", "EPSG:25831", 450_000.0, 4_600_000.0),  # a shift that is known
        ("EPSG:27700", "EPSG:25830", 450_000.0, 400_000.0),
        ("+proj=laea +lat_0=52 +lon_0=10 +ellps=GRS80 +units=m", "EPSG:3035", 0.0, 0.0),  # no datum, and none needed
        ("+proj=sinu +R=6371007.181 +units=m", "EPSG:25831", 200_000.0, 5_000_000.0),  # a sphere, by convention
    ],
)
def test_no_shift_is_left_out(source, target, x, y):
    assert left_out_shift(source, target, x, y) is None


@given(st.floats(3_500_000, 6_000_000))
def test_without_a_datum_the_size_is_that_of_two_ellipsoids_with_one_centre(northing):
    # Molodensky's term of the flattening, a (f - g) sin 2 phi: the largest shift north by it is about 90 m
    shift = left_out_shift(UTM.format("intl"), "EPSG:25831", 500_000.0, northing)
    assert shift is not None
    assert shift.metres is not None
    latitude = northing / 111_132.0  # degrees, roughly
    flattening = 6_378_388.0 * (1 / 297 - 1 / 298.257222101)
    assert shift.metres == pytest.approx(flattening * math.sin(math.radians(2 * latitude)), abs=3.0)
    assert f"about {shift.metres:.0f} m here" in shift.words


def test_two_old_datums_on_one_ellipsoid_differ_by_an_unknown_shift():
    shift = left_out_shift("+proj=longlat +ellps=bessel", "EPSG:31467", 10.0, 50.0)
    assert shift is not None
    assert shift.metres is None
    assert "not known here" in shift.words
