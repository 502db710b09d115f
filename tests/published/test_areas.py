"""Areas and distances on the ellipsoid against figures printed by others: the library's, our cells' and our polygons'.

Figures that are derived come from the constants of the ellipsoids (closed forms: radii of curvature, authalic zone).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely import Polygon, box

from underoak.base import crs
from underoak.base.grid import Grid
from underoak.indicators import cell_areas, cell_metres
from underoak.places import areas_ha

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


def one_cell(south, size):
    return Grid.north_up("EPSG:4326", 0.0, south + size, size, 1, 1)


def grid_ha(grid):
    return float(cell_areas(grid, grid.window)[0, 0]) / HECTARE


def polygon_ha(shape, crs_text):
    return float(areas_ha(np.array([shape], object), crs_text)[0])


def test_an_eighth_of_the_earth():
    # A16, derived: closed form by symmetry; the method is Karney 2013.
    area, around = crs.geod().polygon_area_perimeter([0.0, 90.0, 0.0], [0.0, 0.0, 90.0])
    assert area == pytest.approx(63_758_202_715_511.06, abs=1.0)
    assert around == pytest.approx(30_022_685.630, abs=0.001)
    assert 8 * area == pytest.approx(510_065_621_724_088.4, abs=8.0)


@pytest.mark.parametrize(
    ("south", "hectares"),
    [
        (0, 1230846.3894),
        (30, 1064239.3439),
        (45, 868649.4957),
        (51, 772569.9593),
        (52, 755673.5896),
        (60, 612314.0879),
        (80, 205827.4854),
        (89, 10886.6682),
    ],
)
def test_one_degree_cell_between_parallels(south, hectares):  # A17, derived (closed form)
    assert between_parallels(south, 1.0) / HECTARE == pytest.approx(hectares, abs=0.001)
    assert area_of(*cell(south, 1.0, 600)) / HECTARE == pytest.approx(hectares, abs=0.001)
    assert grid_ha(one_cell(south, 1.0)) == pytest.approx(hectares, abs=0.001)
    assert polygon_ha(box(0, south, 1, south + 1), "EPSG:4326") == pytest.approx(hectares, abs=0.001)


@pytest.mark.parametrize(
    ("south", "off"), [(0, 2.555e-5), (30, 0.586e-5), (45, -1.331e-5), (51, -2.123e-5), (60, -3.229e-5)]
)
def test_four_corners_alone_give_another_area(south, off):  # A18, derived: parallels are not shortest lines
    ratio = area_of(*cell(south, 1.0, 1)) / between_parallels(south, 1.0)
    assert ratio - 1.0 == pytest.approx(off, abs=1e-7)


@pytest.mark.parametrize(("south", "hectares"), [(0, 85.479667), (45, 60.845557), (50, 55.374778), (60, 43.166861)])
def test_thirty_second_cell(south, hectares):  # A19, derived (closed form)
    assert area_of(*cell(south, 30 / 3600, 40)) / HECTARE == pytest.approx(hectares, abs=1e-5)
    assert grid_ha(one_cell(south, 30 / 3600)) == pytest.approx(hectares, abs=1e-5)


@pytest.mark.parametrize(("south", "square_m"), [(0, 949.7741), (45, 676.1086), (50, 615.3263), (60, 479.6898)])
def test_one_second_cell(south, square_m):  # A20, derived (closed form)
    assert area_of(*cell(south, 1 / 3600, 4)) == pytest.approx(square_m, abs=1e-3)
    assert grid_ha(one_cell(south, 1 / 3600)) * HECTARE == pytest.approx(square_m, abs=1e-3)


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
    assert grid_ha(Grid.north_up(projected, x - 500.0, y + 500.0, 1000.0, 1, 1)) == pytest.approx(hectares, abs=1e-4)
    square = box(x - 500.0, y - 500.0, x + 500.0, y + 500.0)
    assert polygon_ha(square, projected) == pytest.approx(hectares, abs=1e-4)


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


def test_a_parcel_is_never_measured_on_the_web_map():  # A22: four times too large at 60 N
    x, y = crs.transformer("EPSG:4326", "EPSG:3857").transform(5.0, 60.0)
    square = box(x, y, x + 200.0, y + 200.0)
    assert square.area / HECTARE / polygon_ha(square, "EPSG:3857") == pytest.approx(4.0, rel=0.005)


@pytest.mark.parametrize(("lonlat", "hectares"), [((5, 50), 6.25723), ((12, 40), 6.24265), ((30, 20), 6.21790)])
def test_homolosine_cell(lonlat, hectares):  # A25: 250 m cells, not exactly 6.25 ha
    igh = "+proj=igh +datum=WGS84 +units=m"
    x, y = crs.transformer("EPSG:4326", igh).transform(*lonlat)
    assert grid_ha(Grid.north_up(igh, x - 125.0, y + 125.0, 250.0, 1, 1)) == pytest.approx(hectares, abs=5e-4)
    assert polygon_ha(box(x - 125, y - 125, x + 125, y + 125), igh) == pytest.approx(hectares, abs=5e-4)


@pytest.mark.parametrize(
    ("latitude", "north_south", "east_west"),
    [
        (0, 110574.276, 111319.491),
        (30, 110852.442, 96486.280),
        (45, 111131.777, 78846.835),
        (51, 111248.277, 70197.678),
        (60, 111412.287, 55800.002),
        (40, 111034.633, 85393.857),
        (44, 111112.242, 80206.193),
        (50, 111229.064, 71695.754),
    ],
)
def test_metres_in_a_degree(latitude, north_south, east_west):  # A26
    grid = Grid.north_up("EPSG:4326", 0.0, latitude + 0.5, 1.0, 1, 1)
    (strip,) = cell_metres(grid, grid.window)
    assert strip.dy[0] == pytest.approx(north_south, abs=0.001)
    assert strip.dx[0] == pytest.approx(east_west, abs=0.001)


def test_the_whole_earth_and_an_eighth_of_it():  # A16: total 510 065 621 724 088.4 m2, closed form
    assert polygon_ha(box(-180, -90, 180, 90), "EPSG:4326") * HECTARE == pytest.approx(510_065_621_724_088.4, abs=50.0)
    assert polygon_ha(box(0, 0, 90, 90), "EPSG:4326") * HECTARE == pytest.approx(63_758_202_715_511.06, abs=10.0)


def test_a_parcel_across_the_antimeridian_keeps_its_area():
    # one parcel on a projected grid whose longitudes jump; the geodesic library is the measure
    x, y = crs.transformer("EPSG:4326", "EPSG:3832").transform(180.0, -17.0)
    across = box(x - 5_000.0, y - 5_000.0, x + 5_000.0, y + 5_000.0)
    lon, lat = crs.transformer("EPSG:3832", "EPSG:4326").transform(*np.array(across.segmentize(50.0).exterior.coords).T)
    assert lon.min() < -179.9
    assert lon.max() > 179.9
    geodesic = abs(crs.geod().polygon_area_perimeter(lon, lat)[0]) / HECTARE
    assert polygon_ha(across, "EPSG:3832") == pytest.approx(geodesic, rel=1e-6)


@pytest.mark.parametrize("projected", ["EPSG:3857", "EPSG:25831", "EPSG:4326"])
def test_long_edges_are_straight_on_the_map_not_on_the_ground(projected):
    # the geodesic library on finely cut edges is the measure; corners alone would be 1e-5 and more off
    corners = [(1.0, 58.0), (2.5, 60.0), (4.0, 59.0)]
    x, y = crs.transformer("EPSG:4326", projected).transform(*np.array(corners).T)
    triangle = Polygon(np.column_stack([x, y]))
    fine = triangle.segmentize(triangle.length / 60_000)
    lon, lat = crs.transformer(projected, "EPSG:4326").transform(*np.array(fine.exterior.coords).T)
    geodesic = abs(crs.geod().polygon_area_perimeter(lon, lat)[0]) / HECTARE
    assert polygon_ha(triangle, projected) == pytest.approx(geodesic, rel=1e-8)
