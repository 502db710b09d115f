"""Coordinate reference systems: the one door to the projection library. Axis order is always x, y."""

from __future__ import annotations

import math
import threading
import warnings
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from underoak.base.errors import Fault, UnderoakError

if TYPE_CHECKING:
    from pyproj import CRS, Geod, Transformer

_local = threading.local()
_BALLPARK = "allpark"  # in the name of an operation that leaves a shift out


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


@dataclass(frozen=True, slots=True)
class DatumShift:
    """A shift between two datums that no operation here can apply."""

    source: str  # names of the two systems
    target: str
    metres: float | None  # None if the size is not known

    @property
    def words(self) -> str:
        """What is left out, with its size, as words of a fault."""
        size = "its size is not known here" if self.metres is None else f"about {self.metres:.0f} m here"
        return f'the shift between the datums of "{self.source}" and "{self.target}" is left out: {size}'


DATUM_FIX = (
    "name the exact system as `crs:`, such as an EPSG code; or transform the file with a tool that has the "
    "grid of this shift"
)
_SMALLEST_SHIFT_M = 2.0  # between the current datums of continents. From memory.


def left_out_shift(source: str, target: str, x: float, y: float) -> DatumShift | None:
    """Return the shift between two datums that is left out at a place (x, y of `source`); None if none is.

    Where the projection library knows no better, it takes latitudes and longitudes of one datum for those of the other.
    The size is that of another operation between the two, or else of two ellipsoids with one centre.

    >>> round(left_out_shift("+proj=utm +zone=31 +ellps=intl +units=m", "EPSG:25831", 450_000, 4_600_000).metres)
    91
    >>> left_out_shift("EPSG:23031", "EPSG:25831", 450_000, 4_600_000) is None
    True
    """
    import pyproj
    from pyproj.transformer import TransformerGroup

    if same(source, target):
        return None
    used = transformer(source, target)
    place = used.transform(x, y)
    if not all(map(math.isfinite, place)):
        return None
    try:
        description = used.get_last_used_operation().description
    except pyproj.exceptions.ProjError:
        return None
    if _BALLPARK not in description or _is_sphere(parse(source)) or _is_sphere(parse(target)):
        return None  # on a sphere, latitudes of the ellipsoid are meant by convention
    with warnings.catch_warnings(action="ignore"):  # of grids that are not installed
        group = TransformerGroup(parse(source), parse(target), always_xy=True)
    others = [each.transform(x, y) for each in group.transformers if _BALLPARK not in each.description]
    others = [other for other in others if all(map(math.isfinite, other))]
    if others:
        (x, other_x), (y, other_y) = zip(place, others[0], strict=True)
        lon, lat = transformer(target, "EPSG:4326").transform([x, other_x], [y, other_y])
        size: float | None = float(geod().inv(lon[0], lat[0], lon[1], lat[1])[2])
    else:
        size = _ellipsoid_shift_m(parse(source), parse(target), transformer(source, "EPSG:4326").transform(x, y)[1])
        is_one_ellipsoid = size < _SMALLEST_SHIFT_M
        if is_one_ellipsoid and not _is_modern(parse(source)):
            size = None  # two old datums on one ellipsoid
    if size is not None and size < _SMALLEST_SHIFT_M:
        return None
    return DatumShift(parse(source).name, parse(target).name, size)


def _is_sphere(crs: CRS) -> bool:
    return crs.ellipsoid is not None and not crs.ellipsoid.inverse_flattening


def _is_modern(crs: CRS) -> bool:
    """Return True for the ellipsoids of datums that satellites measured, which agree within a metre or two."""
    return crs.ellipsoid is not None and abs(crs.ellipsoid.semi_major_metre - 6_378_137.0) < 0.5


def _ellipsoid_shift_m(a: CRS, b: CRS, latitude: float) -> float:
    """Return how far a place moves north if its latitude is taken over to another ellipsoid with the same centre [m].

    The abridged formula of Molodensky, without a shift of the centre. From memory.
    """
    if a.ellipsoid is None or b.ellipsoid is None:
        return 0.0
    f, g = (1.0 / e.inverse_flattening if e.inverse_flattening else 0.0 for e in (a.ellipsoid, b.ellipsoid))
    semi_major, other = a.ellipsoid.semi_major_metre, b.ellipsoid.semi_major_metre
    return abs((semi_major * (g - f) + f * (other - semi_major)) * math.sin(2.0 * math.radians(latitude)))


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
