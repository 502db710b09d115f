"""Areas and distances on the ellipsoid against figures printed by others, through the one door to them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from underoak import crs

HECTARE = 1e4
# WGS84: half axes and eccentricity, by definition.
A, FLATTENING = 6_378_137.0, 1 / 298.257223563
B = A * (1 - FLATTENING)
E = math.sqrt(FLATTENING * (2 - FLATTENING))


def area_of(lon, lat) -> float:
    return crs.geod().polygon_area_perimeter(lon, lat)[0]


def cell(south: float, size: float, parts: int) -> tuple[np.ndarray, np.ndarray]:
    """A cell between two parallels, from 0 E, its north and south sides cut in `parts`."""
    east = np.linspace(0.0, size, parts + 1)
    lon, lat = np.concatenate([east, east[::-1]]), np.repeat([south, south + size], parts + 1)
    return lon, lat


def between_parallels(south: float, size: float) -> float:
    """Closed form [m2]: b^2 dlon / 2 times the difference of s / (1 - e^2 s^2) + atanh(e s) / e."""

    def upto(degrees: float) -> float:
        s = math.sin(math.radians(degrees))
        return s / (1 - E * E * s * s) + math.atanh(E * s) / E

    return B * B * math.radians(size) / 2 * (upto(south + size) - upto(south))


def test_an_eighth_of_the_earth():
    # A16, derived: closed form by symmetry; the method is Karney 2013.
    area, around = crs.geod().polygon_area_perimeter([0.0, 90.0, 0.0], [0.0, 0.0, 90.0])
    assert area == pytest.approx(63_758_202_715_511.06, abs=1.0)
    assert around == pytest.approx(30_022_685.630, abs=0.001)
    assert 8 * area == pytest.approx(510_065_621_724_088.4, abs=8.0)


DEGREE_CELLS = [
    (0, 1230846.3894),
    (30, 1064239.3439),
    (45, 868649.4957),
    (51, 772569.9593),
    (52, 755673.5896),
    (60, 612314.0879),
    (80, 205827.4854),
    (89, 10886.6682),
]


@pytest.mark.parametrize(("south", "hectares"), DEGREE_CELLS)
def test_one_degree_cell_between_parallels(south, hectares):  # A17, derived (closed form)
    assert between_parallels(south, 1.0) / HECTARE == pytest.approx(hectares, abs=0.001)
    assert area_of(*cell(south, 1.0, 600)) / HECTARE == pytest.approx(hectares, abs=0.001)


@pytest.mark.parametrize(
    ("south", "off"), [(0, 2.555e-5), (30, 0.586e-5), (45, -1.331e-5), (51, -2.123e-5), (60, -3.229e-5)]
)
def test_four_corners_alone_give_another_area(south, off):  # A18, derived: parallels are not shortest lines
    ratio = area_of(*cell(south, 1.0, 1)) / between_parallels(south, 1.0)
    assert ratio - 1.0 == pytest.approx(off, abs=1e-7)


@pytest.mark.parametrize(("south", "hectares"), [(0, 85.479667), (45, 60.845557), (50, 55.374778), (60, 43.166861)])
def test_thirty_second_cell(south, hectares):  # A19, derived (closed form)
    assert area_of(*cell(south, 30 / 3600, 40)) / HECTARE == pytest.approx(hectares, abs=1e-5)


@pytest.mark.parametrize(("south", "square_m"), [(0, 949.7741), (45, 676.1086), (50, 615.3263), (60, 479.6898)])
def test_one_second_cell(south, square_m):  # A20, derived (closed form)
    assert area_of(*cell(south, 1 / 3600, 4)) == pytest.approx(square_m, abs=1e-3)


@pytest.mark.parametrize(
    ("projected", "lonlat", "hectares"),
    [
        ("EPSG:3035", (5.0, 50.0), 100.0000000),
        ("EPSG:32631", (3.0, 50.0), 100.080048),
        ("EPSG:32631", (5.0, 50.0), 100.029544),
        ("EPSG:27700", (-2.0, 52.0), 100.079793),
        ("EPSG:3857", (5.0, 50.0), 41.365358),
    ],
)
def test_true_area_of_a_square_kilometre_of_the_grid(projected, lonlat, hectares):
    # A21, derived: the square is centred on the place, its sides densified.
    base = crs.parse(projected).geodetic_crs.to_wkt()
    x, y = crs.transformer(base, projected).transform(*lonlat)
    t = np.arange(100) / 100 * 1000.0 - 500.0
    low, high = np.full(100, -500.0), np.full(100, 500.0)
    ring_x, ring_y = np.concatenate([t, high, -t, low]), np.concatenate([low, t, high, -t])
    lon, lat = crs.transformer(projected, base).transform(x + ring_x, y + ring_y)
    area, _ = crs.geod(projected).polygon_area_perimeter(lon, lat)
    assert area / HECTARE == pytest.approx(hectares, abs=1e-4)


def test_web_mercator_inflates_area_fourfold_at_60_north():
    # A22, derived on the sphere: 1 / cos^2; the half percent is for the ellipsoid.
    lon, lat = cell(59.95, 0.1, 50)
    x, y = crs.transformer("EPSG:4326", "EPSG:3857").transform(lon, lat)
    flat = abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))) / 2.0
    assert flat / area_of(lon, lat) == pytest.approx(4.0, rel=0.005)


# Latitude and longitude round Antarctica; the example of the geodesic routines after Karney 2013, from memory.
ANTARCTICA = [
    (-72.9, -74),
    (-71.9, -102),
    (-74.9, -102),
    (-74.3, -131),
    (-77.5, -163),
    (-77.4, 163),
    (-71.7, 172),
    (-65.9, 140),
    (-65.7, 113),
    (-66.6, 88),
    (-66.9, 59),
    (-69.8, 25),
    (-70.0, -4),
    (-71.0, -14),
    (-77.3, -33),
    (-77.9, -46),
    (-74.7, -61),
]


def test_polygon_round_a_pole():  # A28
    lat, lon = zip(*ANTARCTICA, strict=True)
    area, around = crs.geod().polygon_area_perimeter(lon, lat)
    assert abs(area) == pytest.approx(13_376_856_682_207.4, abs=1.0)
    assert around == pytest.approx(14_710_425.406974, abs=1e-5)


def test_distance_across_the_world():
    # A29: a pair in the style of the geodesic routines' own examples, after Karney 2013; from memory.
    azimuth, _, distance = crs.geod().inv(-73.78, 40.64, 103.99, 1.36)
    assert distance == pytest.approx(15_347_512.9405, abs=1e-3)
    assert azimuth == pytest.approx(3.30577348, abs=1e-8)


def test_quarter_meridian_and_a_degree_of_the_equator():  # A30, derived from the ellipsoid's constants
    assert crs.geod().inv(0.0, 0.0, 0.0, 90.0)[2] == pytest.approx(10_001_965.7293, abs=1e-3)
    assert crs.geod().inv(0.0, 0.0, 1.0, 0.0)[2] == pytest.approx(111_319.4908, abs=1e-3)


def test_an_ellipsoid_of_its_own_is_used():  # A30 on another ellipsoid: the equator's degree is a pi / 180 of each
    for name in ("EPSG:4277", "EPSG:4258"):
        degree = crs.geod(name).inv(0.0, 0.0, 1.0, 0.0)[2]
        assert degree == pytest.approx(crs.parse(name).ellipsoid.semi_major_metre * math.pi / 180, abs=1e-6)
