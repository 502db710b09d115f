"""Where to take soil on one parcel: points inside its edges, one soil apart from the other."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from underoak.base import crs as _crs
from underoak.base.errors import Fault, UnderoakError, count_of, printable
from underoak.base.grid import Grid
from underoak.base.number_words import hectares
from underoak.indicators import cell_metres
from underoak.places.geometry.areas import areas_ha
from underoak.places.soil.soil_units import UNKNOWN, SiteValues, soils_of
from underoak.uncertainty import choose_points

Doubles = npt.NDArray[np.float64]

RANGE_M, SETBACK_M, SPACING_M = 800.0, 10.0, 10.0  # common practice, no source
LARGEST_BAG_HA = 4.0  # of even land for one bag; from memory of soil laboratories' leaflets
CORES = 20  # in a bag, at least: 15 to 25 on a W walk, and 20 for pH; common practice
_PLACES, _FEWEST, _MOST = 400, 100, 4_000_000  # lattice: places aimed at, too few, too many to look at
_STEPS = (5.0, 2.0, 1.0)


@dataclass(frozen=True, slots=True)
class Bag:
    """The soil of one composite sample."""

    name: str  # A, B, ...
    points: tuple[int, ...]  # their numbers, from 1
    cores: int  # at each of them
    area_ha: float  # that it stands for, at most `LARGEST_BAG_HA`
    is_known: bool = True  # the maps know this soil
    soil: int = 0  # its soil unit, by the order of the points


@dataclass(frozen=True, slots=True, eq=False)
class Sampling:
    """Points on one parcel or zone, the most telling first; arrays are (points,)."""

    parcel: str
    crs: str
    area_ha: float
    x: Doubles  # in `crs`
    y: Doubles
    lon: Doubles  # WGS 84 [degree]
    lat: Doubles
    left: Doubles  # doubt about the parcel's mean that is left after each, as a share of the variance before
    bags: tuple[Bag, ...]
    range_m: float
    notes: tuple[str, ...]  # what was done otherwise than asked
    kind: str = "parcel"  # or zone
    is_limed: bool = True  # the land may be limed

    def bag_of(self, point: int) -> Bag:
        """The bag that a point's soil goes into; points count from 1."""
        return next(bag for bag in self.bags if point in bag.points)

    def name_of(self, point: int) -> str:
        """Return the name of a point."""
        return f"{self.parcel}-{point}"


def sample_parcel(
    parcel: str,
    shape: Any,
    crs: str,
    n: int,
    range_m: float = RANGE_M,
    setback_m: float = SETBACK_M,
    spacing_m: float = SPACING_M,
    ground: Callable[[Doubles, Doubles], SiteValues] | None = None,
    kind: str = "parcel",
) -> Sampling:
    """Choose points for n soil samples of a parcel, the first k of them those of k, and the bags they share.

    The points lie on a lattice of round coordinates of `crs`, `setback_m` inside every edge and `spacing_m` apart
    [true metres], and are chosen by `uncertainty.choose_points`. In a parcel too narrow for the setback it shrinks
    to half the radius of the largest circle inside. `ground` gives open places and their soil
    (see `places.soil.soil_units`); each soil unit gets bags of its own, as many as it takes for each to stand for
    `LARGEST_BAG_HA` at most, and no more than it has points. `kind` is `parcel` or `zone`, for messages.

    >>> from shapely import box
    >>> result = sample_parcel("007", box(420_000, 4_600_000, 420_200, 4_600_100), "EPSG:25831", 1)
    >>> bool(abs(result.x[0] - 420_100) <= 5 and abs(result.y[0] - 4_600_050) <= 5), result.bags[0].cores
    (True, 20)

    Raises:
        UnderoakError: E440 a parcel without ground to sample, E441 more points than it has room for.
    """
    import shapely

    where = f'{kind} "{printable(parcel)}"'
    if shape is None or shapely.is_empty(shape) or not shapely.area(shape) > 0.0:
        fix = "draw its outline, or choose another parcel"
        raise UnderoakError(Fault("E440", "it has no shape, so there is nowhere to sample", where, fix))
    scale = true_scale(shape, crs)
    flat = shapely.transform(shape, lambda at: at * scale)
    notes: list[str] = []
    setback = min(setback_m, shapely.length(shapely.maximum_inscribed_circle(flat)) / 2.0)
    if setback < setback_m:
        notes.append(f"It is too narrow to keep {setback_m:g} m off its edges: the points keep {setback:.1f} m.")
    inner = shapely.buffer(flat, -setback) if setback > 0 else flat
    step = _step(inner, scale)
    all_over, candidates = _lattice(flat, scale, step), _lattice(inner, scale, step)
    if not len(candidates):
        candidates = np.array([[p.x, p.y] for p in [shapely.point_on_surface(inner)]]) / scale
    site_values = ground or (lambda x, y: SiteValues(np.ones(len(x), np.bool_), np.empty((len(x), 0))))
    of_all, of_candidates = (site_values(*places.T) for places in (all_over, candidates))
    if not of_candidates.is_open.any():
        fix = "check the constraint that excludes it, or choose another parcel"
        raise UnderoakError(Fault("E440", "constraints exclude all of it, or all but its edges", where, fix))
    if not of_all.is_open.all():
        notes.append("Land that a constraint excludes has no points.")
    all_over, candidates = all_over[of_all.is_open], candidates[of_candidates.is_open]
    both = np.concatenate([of_candidates.memberships[of_candidates.is_open], of_all.memberships[of_all.is_open]])
    soil = soils_of(both)
    strata, over = soil[: len(candidates)], soil[len(candidates) :]
    if not len(all_over):  # a sliver between the lattice's places
        all_over, over = candidates, strata
    chosen = choose_points(
        candidates * scale, all_over * scale, n, range_m, spacing=spacing_m, strata=strata, area_strata=over
    )
    if len(chosen.indices) < n:
        count = len(chosen.indices)
        what = f"only {count} points {spacing_m:g} m apart fit into it" if count > 1 else "only one point fits into it"
        raise UnderoakError(Fault("E441", what, where, f"use -n {count}, or a smaller --spacing"))
    x, y = candidates[chosen.indices].T
    lon, lat = map(np.asarray, _crs.transformer(crs, "EPSG:4326").transform(x, y))
    area_ha = float(areas_ha(np.array([shape], object), crs)[0])
    is_open = float(of_all.is_open.mean()) if len(of_all.is_open) else 1.0
    bags = _bags(strata[chosen.indices], candidates[chosen.indices] * scale, over, all_over * scale, area_ha * is_open)
    missed = float((~np.isin(over, strata[chosen.indices])).mean())
    if missed:
        notes.append(
            f"Other soils, on {100 * missed:.0f} % of it by the maps, have no point: more points would reach them."
        )
    covered = sum(bag.area_ha for bag in bags)
    if covered < area_ha * is_open * (1.0 - missed) * 0.995:
        fewest = math.ceil(area_ha * is_open / LARGEST_BAG_HA)
        notes.append(
            f"A bag stands for {LARGEST_BAG_HA:g} ha at most, so {count_of(len(bags), 'bag')} stand for "
            f"{hectares(covered)} of it: {fewest} points or more would reach the rest."
        )
    return Sampling(parcel, crs, area_ha, x, y, lon, lat, chosen.remaining, bags, range_m, tuple(notes), kind)


def true_scale(shape: Any, crs: str) -> Doubles:
    """Return the true metres of one unit of x and of y at a shape's middle, (2,)."""
    unit = 1e-5 if _crs.is_geographic(crs) else 1.0
    middle = shape.centroid
    grid = Grid(crs, (unit, 0.0, middle.x, 0.0, -unit, middle.y), 1, 1)
    strip = cell_metres(grid, grid.window)[0]
    return np.abs([strip.dx[0], strip.dy[0]]) / unit


def _step(inner: Any, scale: Doubles) -> float:
    """Return the distance of the lattice's places [units of the CRS]: 1, 2 or 5 times a power of ten."""
    import shapely

    aim = math.sqrt(max(shapely.area(inner), 1e-6) / _PLACES / float(scale[0] * scale[1]))
    power = 10.0 ** math.floor(math.log10(aim))
    series = [digit * power * down for down in (1.0, 0.1, 0.01) for digit in _STEPS if digit * power * down <= aim]
    left, bottom, right, top = inner.bounds
    extent = float((right - left) * (top - bottom) / (scale[0] * scale[1]))
    step = series[0]
    for finer in series:
        if extent / finer**2 > _MOST:
            break
        step = finer
        if len(_lattice(inner, scale, finer)) >= _FEWEST:
            break
    return step


def _lattice(flat: Any, scale: Doubles, step: float) -> Doubles:
    """Return places inside a shape given in metres, at whole multiples of the step [units of the CRS], (places, 2).

    From north to south, and in each row from west to east.
    """
    import shapely

    left, bottom, right, top = flat.bounds
    x = np.arange(math.ceil(left / scale[0] / step), math.floor(right / scale[0] / step) + 1) * step
    y = np.arange(math.floor(top / scale[1] / step), math.ceil(bottom / scale[1] / step) - 1, -1) * step
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    shapely.prepare(flat)
    return places[shapely.contains_xy(flat, *(places * scale).T)] if len(places) else places


def _bags(
    soil: npt.NDArray[np.int64], points: Doubles, over: npt.NDArray[np.int64], places: Doubles, area_ha: float
) -> tuple[Bag, ...]:
    """Return the bags of each soil unit with a point, in the order of the points.

    `soil` and `points` [m] are of the chosen points; `over` and `places` [m] of places spread evenly over the parcel.
    """
    bags: list[Bag] = []
    for number, unit in enumerate(dict.fromkeys(soil.tolist())):
        members = np.flatnonzero(soil == unit)
        here = places[over == unit]
        nearest = np.array([int(np.hypot(*(points[members] - place).T).argmin()) for place in here], np.int64)
        counts = np.bincount(nearest, minlength=len(members)).astype(np.float64)
        areas: Doubles = area_ha / max(len(over), 1) * counts  # of each point [ha]
        groups = sorted((sorted(group) for group in _groups(points[members], areas)), key=min)
        for group in groups:
            bags.append(
                Bag(
                    _letters(len(bags)), tuple(int(members[i]) + 1 for i in group), math.ceil(CORES / len(group)),
                    min(float(areas[group].sum()), LARGEST_BAG_HA), unit != UNKNOWN, number,
                )
            )  # fmt: skip
    return tuple(bags)


def _groups(points: Doubles, areas: Doubles) -> list[list[int]]:
    """Return the points of each bag: neighbours along the longer side, in as few bags as `LARGEST_BAG_HA` allows."""
    along = int(np.argmax(np.ptp(points, axis=0)))
    order = np.lexsort((points[:, 1 - along], points[:, along])).tolist()
    fewest = max(math.ceil(float(areas.sum()) / LARGEST_BAG_HA - 1e-6), 1)
    for count in range(min(fewest, len(order)), len(order)):
        parts = [part.tolist() for part in np.array_split(np.array(order), count)]
        if all(float(areas[part].sum()) <= LARGEST_BAG_HA * (1.0 + 1e-6) for part in parts):
            return parts
    return [[i] for i in order]


def _letters(n: int) -> str:
    """A, B, ... Z, AA, AB, ...

    >>> _letters(0), _letters(25), _letters(26)
    ('A', 'Z', 'AA')
    """
    return (_letters(n // 26 - 1) if n >= 26 else "") + chr(ord("A") + n % 26)
