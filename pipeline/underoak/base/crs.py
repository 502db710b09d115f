"""Coordinate reference systems: the one door to the projection library. Axis order is always x, y."""

from __future__ import annotations

import threading
from functools import lru_cache
from typing import TYPE_CHECKING

from underoak.base.errors import Fault, UnderoakError

if TYPE_CHECKING:
    from pyproj import CRS, Geod, Transformer

_local = threading.local()


@lru_cache(maxsize=64)
def parse(text: str) -> CRS:
    """Return the horizontal CRS that a WKT, PROJ or authority string names.

    >>> parse("EPSG:3035").is_projected, parse("+proj=igh +datum=WGS84 +units=m").is_projected
    (True, True)

    Raises:
        UnderoakError: E202 if it cannot be read, or is local without a position on Earth.
    """
    import pyproj

    try:
        crs = pyproj.CRS.from_user_input(text)
        crs = crs.to_2d() if not crs.is_compound else crs.sub_crs_list[0]
    except pyproj.exceptions.CRSError as error:
        what = f'coordinate reference system "{text[:80]}" is not known'
        raise UnderoakError(Fault("E202", what, fix="write an EPSG code such as EPSG:25831")) from error
    if crs.is_engineering or not (crs.is_projected or crs.is_geographic or crs.is_bound or crs.is_derived):
        what = f'coordinate reference system "{crs.name}" is local: it has no known position on Earth'
        raise UnderoakError(Fault("E202", what, fix="give the true one as `crs:`"))
    return crs


def transformer(source: str, target: str) -> Transformer:
    """Return a transformer from `source` to `target`, x then y, one for each thread.

    Raises:
        UnderoakError: E202 if there is no transformation: two celestial bodies, or a damaged definition.
    """
    import pyproj

    cache = _local.__dict__.setdefault("transformers", {})
    key = (source, target)
    if key not in cache:
        try:
            cache[key] = pyproj.Transformer.from_crs(parse(source), parse(target), always_xy=True)
        except pyproj.exceptions.ProjError as error:
            what = f'there is no transformation from "{parse(source).name}" to "{parse(target).name}"'
            raise UnderoakError(Fault("E202", what, fix="give a system of this Earth as `crs:`")) from error
    cached: Transformer = cache[key]
    return cached


@lru_cache(maxsize=64)
def unit_m(text: str) -> float:
    """Return the metres in one axis unit of a projected CRS; 0 for a geographic one.

    >>> unit_m("EPSG:25831"), unit_m("EPSG:4326")
    (1.0, 0.0)
    """
    crs = parse(text)
    return 0.0 if crs.is_geographic else float(crs.axis_info[0].unit_conversion_factor)


def same(a: str, b: str) -> bool:
    """Return True if two strings name the same CRS, apart from the order of axes."""
    return a == b or bool(parse(a).equals(parse(b), ignore_axis_order=True))


def is_geographic(text: str) -> bool:
    """Return True if coordinates are degrees of longitude and latitude."""
    return bool(parse(text).is_geographic)


def is_in_use(text: str, west: float, south: float, east: float, north: float) -> bool:
    """Return True if a box in degrees meets the area that a CRS is meant for; True for one that states no area.

    >>> is_in_use("EPSG:25831", 2.0, 41.0, 3.0, 42.0), is_in_use("EPSG:25831", 100.0, 41.0, 101.0, 42.0)
    (True, False)
    """
    area = parse(text).area_of_use
    return area is None or (area.west <= east and west <= area.east and area.south <= north and south <= area.north)


def geod(text: str = "EPSG:4326") -> Geod:
    """Return the geodesic calculator of the CRS's own ellipsoid."""
    ellipsoid = parse(text).get_geod()
    if ellipsoid is None:  # a CRS without an ellipsoid
        ellipsoid = parse("EPSG:4326").get_geod()
    assert ellipsoid is not None
    return ellipsoid
