"""Projected coordinates against figures printed by others. Axis order is x, y (east, north) everywhere.

Each row says where its figure comes from. "From memory": the printed figure was recalled and recomputed, the page was
not re-read. "Seen": the text was read. "Definition" and "derived" need no page.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from underoak.base import crs

AIRY = "+a=6377563.396 +rf=299.32496"
CLARKE = "+ellps=clrk66"
US_FOOT = 1200.0 / 3937.0
HOMOLOSINE = "+proj=igh +lon_0=0 +datum=WGS84 +units=m +no_defs"

GREAT_BRITAIN = f"+proj=tmerc +lat_0=49 +lon_0=-2 +k_0=0.9996012717 +x_0=400000 +y_0=-100000 {AIRY} +units=m"
UTM18_CLARKE = f"+proj=utm +zone=18 {CLARKE} +units=m"
TEXAS = (
    f"+proj=lcc +lat_1={28 + 23 / 60!r} +lat_2={30 + 17 / 60!r} +lat_0={27 + 50 / 60!r} +lon_0=-99 "
    f"+x_0={2_000_000 * US_FOOT!r} +y_0=0 +a={20_925_832.16 * US_FOOT!r} +rf=294.97870 +units=us-ft"
)
JAMAICA = f"+proj=lcc +lat_1=18 +lat_0=18 +lon_0=-77 +k_0=1 +x_0=250000 +y_0=150000 {CLARKE} +units=m"
ALBERS_CLARKE = f"+proj=aea +lat_1=29.5 +lat_2=45.5 +lat_0=23 +lon_0=-96 {CLARKE} +units=m"
GREAT_LAKES = (
    "+proj=aea +lat_1=42.122774 +lat_2=49.01518 +lat_0=45.568977 +lon_0=-84.455955 "
    "+x_0=1000000 +y_0=1000000 +ellps=GRS80 +units=m"
)
CYLINDER = f"+proj=cea +lat_ts=5 +lon_0=-75 {CLARKE} +units=m"
POLAR = "+proj=stere +lat_0=-90 +lat_ts=-71 +lon_0=70 +x_0=6000000 +y_0=6000000 +datum=WGS84 +units=m"
AMERSFOORT = (
    "+proj=sterea +lat_0=52.15616056 +lon_0=5.38763889 +k_0=0.9999079 +x_0=155000 +y_0=463000 +ellps=bessel +units=m"
)


def dms(degrees: float, minutes: float, seconds: float = 0.0) -> float:
    return math.copysign(abs(degrees) + minutes / 60 + seconds / 3600, degrees)


# name, projected CRS, (longitude, latitude), (x, y), tolerance [axis unit], source and status
ROWS = [
    # IOGP/EPSG Guidance Note 7-2, Transverse Mercator example; seen as quoted by a page on the method.
    ("A01", GREAT_BRITAIN, (dms(0, 30), dms(50, 30)), (577274.99, 69740.50), 0.02),
    # Ordnance Survey, A Guide to Coordinate Systems in Great Britain, annex C; from memory.
    (
        "A02",
        "EPSG:27700",
        (dms(1, 43, 4.5177), dms(52, 39, 27.2531)),
        (651409.903, 313177.270),
        0.001,
    ),
    # IOGP/EPSG Guidance Note 7-2, Lambert azimuthal equal-area example; from memory.
    ("A03", "EPSG:3035", (5.0, 50.0), (3962799.45, 2999718.85), 0.01),
    # Definition: the projection's centre.
    ("A04", "EPSG:3035", (10.0, 52.0), (4321000.0, 3210000.0), 1e-6),
    # Snyder 1987, USGS PP 1395, Transverse Mercator numerical example; from memory.
    ("A05", UTM18_CLARKE, (-dms(73, 30), dms(40, 30)), (627106.5, 4484124.4), 0.05),
    # Definition (k0 = 0.9996, central meridian 3 E), evaluated.
    ("A06 centre", "EPSG:32631", (3.0, 0.0), (500000.0, 0.0), 0.001),
    ("A06 west edge", "EPSG:32631", (0.0, 0.0), (166021.443, 0.0), 0.001),
    ("A06 on the meridian", "EPSG:32631", (3.0, 45.0), (500000.0, 4982950.400), 0.001),
    ("A06 east edge", "EPSG:32631", (6.0, 45.0), (736446.026, 4987329.505), 0.001),
    # IOGP/EPSG Guidance Note 7-2, Lambert conic 2SP example (Texas South Central, US survey feet); from memory.
    ("A07", TEXAS, (-96.0, dms(28, 30)), (2963503.91, 254759.80), 0.01),
    # IOGP/EPSG Guidance Note 7-2, Lambert conic 1SP example (Jamaica); from memory.
    ("A08", JAMAICA, (-dms(76, 56, 37.26), dms(17, 55, 55.80)), (255966.58, 142493.51), 0.01),
    # Snyder 1987, Albers ellipsoid numerical example; from memory.
    ("A09", ALBERS_CLARKE, (-75.0, 35.0), (1885472.7, 1535925.0), 0.1),
    # IOGP/EPSG Guidance Note 7-2, Albers example (Great Lakes); from memory.
    ("A10", GREAT_LAKES, (-dms(78, 45), dms(42, 45)), (1466493.492, 702903.006), 0.001),
    # Snyder 1987, cylindrical equal-area ellipsoid numerical example; from memory.
    ("A11", CYLINDER, (-78.0, 5.0), (-332699.8, 554248.5), 0.1),
    # Definition (true at 30 degrees, WGS84), evaluated.
    ("A12 one degree", "EPSG:6933", (1.0, 0.0), (96486.280, 0.0), 0.001),
    ("A12 middle", "EPSG:6933", (30.0, 45.0), (2894588.408, 5180102.329), 0.001),
    ("A12 corner", "EPSG:6933", (180.0, 90.0), (17367530.445, 7342230.137), 0.001),
    # IOGP/EPSG Guidance Note 7-2, Popular Visualisation Pseudo-Mercator example; from memory.
    ("A13", "EPSG:3857", (-dms(100, 20), dms(24, 22, 54.433)), (-11169055.58, 2800000.00), 0.01),
    # IOGP/EPSG Guidance Note 7-2, polar stereographic variant B example; from memory.
    ("A14", POLAR, (120.0, -75.0), (7255380.79, 7053389.56), 0.01),
    # IOGP/EPSG Guidance Note 7-2, oblique stereographic example; from memory.
    ("A15", AMERSFOORT, (6.0, 53.0), (196105.283, 557057.739), 0.001),
    # Derived: a two-piece program (sinusoidal, Mollweide shifted) of its own agreed with the library to 1 mm.
    ("A23 5E 50N", HOMOLOSINE, (5.0, 50.0), (1438001.758, 5536683.825), 0.01),
    ("A23 2W 52N", HOMOLOSINE, (-2.0, 52.0), (970951.786, 5744490.401), 0.01),
    ("A23 12E 44N", HOMOLOSINE, (12.0, 44.0), (1869977.725, 4894621.329), 0.01),
    ("A23 2E 44N", HOMOLOSINE, (2.0, 44.0), (1053529.393, 4894621.329), 0.01),
    ("A23 16E 48N", HOMOLOSINE, (16.0, 48.0), (2247390.559, 5325661.589), 0.01),
    ("A23 30E 20N", HOMOLOSINE, (30.0, 20.0), (3339584.724, 2226389.816), 0.01),
    ("A24 North America", HOMOLOSINE, (-100.0, 40.0), (-11131949.079, 4452779.632), 0.01),
    ("A24 South America", HOMOLOSINE, (-60.0, -10.0), (-6679169.448, -1113194.908), 0.01),
    ("A24 Australia", HOMOLOSINE, (140.0, -30.0), (15584728.711, -3339584.724), 0.01),
    ("A24 far south", HOMOLOSINE, (-40.0, -50.0), (-5157903.075, -5536683.825), 0.01),
]
each_row = pytest.mark.parametrize(("name", "projected", "lonlat", "xy", "tolerance"), ROWS, ids=[r[0] for r in ROWS])


def base_of(projected: str) -> str:
    """The geographic CRS that the projection starts from: same datum, so nothing is shifted."""
    base = crs.parse(projected).geodetic_crs
    assert base is not None
    return base.to_wkt()


@each_row
def test_projected_pair_is_as_printed(name, projected, lonlat, xy, tolerance):
    x, y = crs.transformer(base_of(projected), projected).transform(*lonlat)
    assert (x, y) == pytest.approx(xy, abs=tolerance)


@pytest.mark.parametrize(
    ("name", "projected", "lonlat", "xy", "tolerance"),
    [row for row in ROWS if row[2][0] != row[2][1]],  # equal numbers cannot be swapped
)
def test_swapped_pair_fails(name, projected, lonlat, xy, tolerance):
    x, y = crs.transformer(base_of(projected), projected).transform(*reversed(lonlat))
    assert not (abs(x - xy[0]) <= 1000 * tolerance and abs(y - xy[1]) <= 1000 * tolerance)


@each_row
def test_there_and_back_is_where_it_began(name, projected, lonlat, xy, tolerance):  # A31, identity
    forward, back = crs.transformer(base_of(projected), projected), crs.transformer(projected, base_of(projected))
    x, y = forward.transform(*lonlat)
    if abs(lonlat[1]) < 90.0:  # at a pole a cylinder has no way back that is exact in degrees
        assert back.transform(x, y) == pytest.approx(lonlat, abs=9e-9)  # 1 mm on the ground
    assert forward.transform(*back.transform(x, y)) == pytest.approx((x, y), abs=1e-3)


def test_first_coordinate_is_east_whatever_the_authority_says():
    # EPSG:4326 and EPSG:3035 formally name north first.
    x, y = crs.transformer("EPSG:4326", "EPSG:3035").transform(10.0, 52.0)
    assert (x, y) == pytest.approx((4321000.0, 3210000.0), abs=1e-3)


def ring(left: float, bottom: float, side: float, parts: int) -> tuple[np.ndarray, np.ndarray]:
    """A square's outline, each side cut in `parts`, anticlockwise and open."""
    t = np.arange(parts) / parts * side
    zero, full = np.zeros(parts), np.full(parts, side)
    return left + np.concatenate([t, full, side - t, zero]), bottom + np.concatenate([zero, t, full, side - t])


def shoelace(x: np.ndarray, y: np.ndarray) -> float:
    x, y = x - x.mean(), y - y.mean()
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) / 2.0)


@pytest.mark.parametrize("left", [3_600_000.0, 4_300_000.0])
def test_equal_area_projections_agree_on_area(left):  # A31, identity
    x, y = ring(left, 2_500_000.0, 1000.0, 250)
    across = crs.transformer("EPSG:3035", "EPSG:6933").transform(x, y)
    assert shoelace(*across) / shoelace(x, y) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(
    ("lonlat", "hectares"), [((5.0, 50.0), 6.25723), ((12.0, 40.0), 6.24265), ((30.0, 20.0), 6.21790)]
)
def test_homolosine_cell_is_not_quite_its_nominal_area(lonlat, hectares):
    # A25, derived: the projection is spherical with R = a, so 250 m squares are not 6.25 ha on the ellipsoid.
    x, y = crs.transformer("EPSG:4326", HOMOLOSINE).transform(*lonlat)
    lon, lat = crs.transformer(HOMOLOSINE, "EPSG:4326").transform(*ring(x, y, 250.0, 20))
    area, _ = crs.geod().polygon_area_perimeter(lon, lat)
    assert area / 1e4 == pytest.approx(hectares, abs=0.0005)
    assert abs(area / 1e4 - 6.25) > 0.005
