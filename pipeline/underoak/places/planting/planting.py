"""Trees of a parcel and what they need: rows, plants, seed, inoculum, water.

Spacing and inoculum come from the profile (`plan.profiles.practice`). Numbers of practice here are of trees and plots,
not of a truffle: common practice, no source, unless stated. Lengths are true metres.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

from underoak.places.geometry.areas import areas_ha
from underoak.places.planting.row_frames import MOST_PLACES, SETBACK_M, row_frames
from underoak.plan.profiles.practice import DEFAULT_SPACING, PlantingSpacing

if TYPE_CHECKING:
    from underoak.plan.profiles.profile import Profile

Doubles = npt.NDArray[np.float64]
Way = Literal["nuts", "pots", "whips", "wild"]
WAYS: tuple[Way, ...] = ("nuts", "pots", "whips", "wild")

_WHIPS_PERCENT, _WHIPS_YEARS = 66, 5  # alive and taking by year five
_POTS_ALIVE = 0.9
SEEDS_A_PLACE, SEEDS_SOUND, SEED_GROWS = 3, 0.75, 0.5
SOWN = ("quercus", "corylus", "castanea", "fagus", "carya")  # seed large enough to sow in place
CONCENTRATE_L, WATER_L, PLANTS_A_PORTION = 0.5, 5.0, 10
PLOT_M, PLOT_TREES = 20.0, 16  # side of a trial plot on wild ground, and its trees: one plot a hectare


def rounded(count: int) -> int:
    """So many trees, plants or seeds as an estimate can bear: two figures that count above a hundred.

    >>> rounded(96), rounded(100), rounded(378), rounded(2537)
    (96, 100, 380, 2500)
    """
    return count if count <= 100 else int(float(f"{count:.2g}"))


def rounded_words(count: int) -> str:
    """Return the same in words.

    >>> rounded_words(96), rounded_words(2537), rounded_words(120)
    ('96', 'about 2 500', 'about 120')
    """
    return str(count) if count <= 100 else f"about {rounded(count):,}".replace(",", " ")


@dataclass(frozen=True, slots=True)
class PlantingLayout:
    """Trees in rows on one parcel."""

    area_ha: float  # of the parcel, on the ellipsoid
    trees: int
    rows: int
    between_m: float
    along_m: float
    setback_m: float
    bearing: float  # of the rows, from grid north [degree], 0..180
    inside_ha: float  # within the headlands
    shut: int = 0  # places that may not be planted
    is_counted: bool = True  # False: too large to count, so computed from the area inside

    @property
    def per_ha(self) -> float:
        """Trees per hectare by the spacing alone.

        >>> PlantingLayout(1.0, 0, 0, 5.0, 4.0, 4.0, 0.0, 1.0).per_ha
        500.0
        """
        return 10_000.0 / (self.between_m * self.along_m)


def spacing_of(profile: Profile | None) -> PlantingSpacing:
    """Return the distances between trees of a profile; without one, those of oaks in orchards.

    >>> from underoak.plan.profiles.profile import load_profile
    >>> spacing_of(load_profile("tuber_aestivum")).metres, spacing_of(None).metres
    ((5.0, 4.0), (6.0, 6.0))
    """
    return DEFAULT_SPACING if profile is None else profile.practice.spacing


def lay_out(
    shape: Any,
    crs: str,
    between_m: float,
    along_m: float,
    setback_m: float = SETBACK_M,
    is_open: Callable[[Doubles, Doubles], npt.NDArray[np.bool_]] | None = None,
) -> PlantingLayout:
    """Lay out rows along the longest side of a parcel, inside a headland; every place inside is counted.

    The longest side is that of the smallest rectangle around the parcel. Both ends share the remaining length.
    `is_open` tells which places of `crs` may be planted.

    >>> from shapely import box
    >>> result = lay_out(box(420_000, 4_600_000, 420_108, 4_600_058), "EPSG:25831", 5, 4)
    >>> result.trees, result.rows  # 26 along 100 m, in 11 rows across 50 m
    (286, 11)
    """
    import shapely

    frame = row_frames(np.array([shape], object), crs, setback_m)
    inner, turn, middle, scale = frame.inner[0], float(frame.turn[0]), frame.middle[0], frame.scale[0]
    area_ha, bearing = float(areas_ha(np.array([shape], object), crs)[0]), (90.0 - turn) % 180.0
    inside_ha = float(frame.inside_ha[0])
    if shapely.is_empty(inner):
        return PlantingLayout(area_ha, 0, 0, between_m, along_m, setback_m, bearing, 0.0)
    (first,), (counts,) = frame.lattice(between_m, along_m)
    x, y = first[0] + np.arange(counts[0]) * along_m, first[1] + np.arange(counts[1]) * between_m
    if len(x) * len(y) > MOST_PLACES:
        trees = int(inside_ha * 1e4 / (between_m * along_m))
        return PlantingLayout(area_ha, trees, 0, between_m, along_m, setback_m, bearing, inside_ha, 0, False)
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    row = np.repeat(np.arange(len(y)), len(x))
    shapely.prepare(inner)
    is_inside = shapely.contains_xy(inner, *places.T)
    places, row = places[is_inside], row[is_inside]
    free = np.ones(len(places), np.bool_)
    if is_open is not None and len(places):
        free = is_open(*(_turned(places, turn, middle) / scale).T)
    return PlantingLayout(
        area_ha, int(free.sum()), len(np.unique(row[free])), between_m, along_m, setback_m, bearing, inside_ha,
        int((~free).sum()),
    )  # fmt: skip


def _turned(places: Doubles, degrees: float, middle: Doubles) -> Doubles:
    angle = math.radians(degrees)
    c, s = math.cos(angle), math.sin(angle)
    moved: Doubles = (places - middle) @ np.array([[c, s], [-s, c]]) + middle
    return moved


@dataclass(frozen=True, slots=True)
class Slurry:
    """Liquid inoculum: concentrate into water."""

    plants: int
    concentrate_l: float
    water_l: float

    @property
    def mix_l(self) -> float:
        """All of it, where the water comes on top of the concentrate [l]."""
        return self.concentrate_l + self.water_l

    @property
    def made_up_l(self) -> float:
        """All of it, where concentrate is made up with water to the 5 litres instead [l]."""
        return self.water_l

    @property
    def portions(self) -> int:
        """Whole portions of concentrate to make ready."""
        return -(-self.plants // PLANTS_A_PORTION)


def slurry(plants: int) -> Slurry:
    """Return half a litre of concentrate in five litres of water for ten plants.

    >>> result = slurry(25)
    >>> result.concentrate_l, result.water_l, result.mix_l, result.portions
    (1.25, 12.5, 13.75, 3)
    """
    return Slurry(plants, plants * CONCENTRATE_L / PLANTS_A_PORTION, plants * WATER_L / PLANTS_A_PORTION)


def whips_to_order(wanted: int) -> int:
    """Return the whips of two or three years to order, so that the wanted number is alive in year five.

    >>> whips_to_order(100), whips_to_order(66)
    (152, 100)
    """
    return -(-wanted * 100 // _WHIPS_PERCENT)


def pots_to_order(wanted: int) -> int:
    """Return the potted seedlings to order, so that the wanted number lives: a tenth is lost.

    >>> pots_to_order(90), pots_to_order(91)
    (100, 102)
    """
    return -(-wanted * 100 // round(_POTS_ALIVE * 100))


def seeds_to_gather(places: int) -> int:
    """Return the nuts or acorns to gather, so that enough are sound after floating.

    >>> seeds_to_gather(100)
    400
    """
    return math.ceil(places * SEEDS_A_PLACE / SEEDS_SOUND - 1e-9)


def alive(places: int, way: Way, years: int = _WHIPS_YEARS) -> float:
    """Return the places with a living tree after so many years, when gaps are not filled.

    Whips die evenly: 0.9203 live through a year. Of pots a tenth is lost in all; of sown places those where no seed
    grows.

    >>> round(alive(100, "whips"), 6), round(alive(100, "whips", 1), 2), alive(80, "pots"), alive(80, "nuts")
    (66.0, 92.03, 72.0, 70.0)
    """
    match way:
        case "nuts":
            return places * (1.0 - (1.0 - SEED_GROWS) ** SEEDS_A_PLACE)
        case "pots":
            return places * _POTS_ALIVE
        case _:
            return places * float((_WHIPS_PERCENT / 100.0) ** (years / _WHIPS_YEARS))


def roots_to_check(trees: int) -> int:
    """Return the trees whose roots are checked in one year: one in fifty, at least ten, at most all.

    >>> roots_to_check(2000), roots_to_check(120), roots_to_check(4)
    (40, 10, 4)
    """
    return min(trees, max(10, math.ceil(trees / 50)))


def trial_plots(area_ha: float) -> tuple[int, int]:
    """Return the trial plots on wild ground and their trees: one plot per hectare, at least one.

    >>> trial_plots(0.4), trial_plots(7.2)
    ((1, 16), (7, 112))
    """
    plots = max(1, math.floor(area_ha + 0.5))
    return plots, plots * PLOT_TREES


def water_m3(depth_mm: float, area_ha: float) -> float:
    """Return the water for a depth on an area [m3]: a millimetre is ten cubic metres per hectare.

    >>> water_m3(45.0, 2.0)
    900.0
    """
    return depth_mm * 10.0 * area_ha
