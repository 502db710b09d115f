"""Vectors of the invented country: its outline, its buildings and forty parcels, some of them awkward on purpose."""

from __future__ import annotations

import math

import geopandas as gpd
import numpy as np
from land import BUILT, CELL, CROP, CRS, GRASS, LEFT, QUARRY, REGION, SHRUB, TOP, VILLAGES, Land
from rasterio.features import shapes
from rasterio.transform import from_origin
from shapely import affinity, set_precision
from shapely.geometry import MultiPolygon, Point, Polygon, box, shape
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

PARCELS = 40
# Field names, invented like the rest; none says anything of the ground, for they are given out in order.
# fmt: off
NAMES = (
    "Long Piece", "Chapel Field", "Owl Acre", "Grandmother's", "Pear Tree", "Bee Garden", "Old Vines", "Three Oaks",
    "Wether Field", "Candle Rent", "Saddle Piece", "Fox Field", "Lower Half", "Upper Half", "Windfall", "Hazel Row",
    "Almond Row", "Nine Shares", "Threshing Floor", "Thimble", "Widow's Piece", "Far Field", "Juniper", "Lost Glove",
    "White Gate", "Goat Field", "Mill Rent", "Thyme Field", "Crooked Wall", "Cairn Field", "Charcoal",
)
# fmt: on


def outline(seed: int) -> Polygon:
    """The region asked about: a rounded block with a wandering edge, corners at whole metres."""
    rng = np.random.default_rng(seed)
    left, bottom, right, top = REGION
    turn = np.linspace(0.0, 2.0 * math.pi, 180, endpoint=False)
    waves = [rng.normal(0.0, 1.0 / k, 2) for k in range(3, 14)]
    wander = sum(a * np.cos(k * turn) + b * np.sin(k * turn) for k, (a, b) in enumerate(waves, start=3))
    reach = 1.0 - 0.055 * (wander - wander.min()) / np.ptp(wander) * 2.0
    across, up = np.cos(turn), np.sin(turn)
    radius = reach / (np.abs(across) ** 5 + np.abs(up) ** 5) ** 0.2
    x = (left + right) / 2.0 + (right - left) / 2.0 * radius * across
    y = (bottom + top) / 2.0 + (top - bottom) / 2.0 * radius * up
    return Polygon(np.round(np.column_stack([x, y])))


def buildings(land: Land, seed: int) -> list[Polygon]:
    """Villages as the land cover has them, with softened edges, and farmsteads scattered over open ground."""
    rng = np.random.default_rng(seed)
    town = (land.cover == BUILT).astype(np.uint8)
    found = shapes(town, mask=town == 1, connectivity=4, transform=from_origin(LEFT, TOP, CELL, CELL))
    made = [shape(geometry).buffer(9.0, quad_segs=2).simplify(8.0) for geometry, _ in found]
    rows, cols = np.nonzero(np.isin(land.cover, (CROP, GRASS)) & (land.slope < 9.0))
    for pick in rng.choice(rows.size, size=70, replace=False):
        x, y = LEFT + (cols[pick] + 0.5) * CELL, TOP - (rows[pick] + 0.5) * CELL
        for _ in range(rng.integers(1, 4)):
            w, h = rng.uniform(9.0, 20.0), rng.uniform(12.0, 38.0)
            yard = box(x - w / 2, y - h / 2, x + w / 2, y + h / 2)
            yard = affinity.translate(yard, *rng.uniform(-28.0, 28.0, 2))
            made.append(affinity.rotate(yard, rng.uniform(0.0, 90.0)))
    merged = set_precision(unary_union(made), 0.1)
    return [part for part in merged.geoms if part.area > 60.0]


def _field(rng: np.random.Generator, x: float, y: float, bearing: float, area: float) -> Polygon:
    """A four-cornered field lying along the contour; now and then a corner is cut out of it."""
    long = math.sqrt(area * rng.uniform(1.1, 2.6))
    w, h = long, area / long
    corners = np.array([(-w, -h), (w, -h), (w, h), (-w, h)]) / 2.0
    corners += rng.uniform(-0.10, 0.10, (4, 2)) * min(w, h)
    made = Polygon(corners)
    if rng.random() < 0.3:
        made = made.difference(box(w * rng.uniform(0.05, 0.25), h * rng.uniform(-0.1, 0.1), w, h))
    return affinity.translate(affinity.rotate(made, bearing, origin=(0.0, 0.0)), x, y)


def _ordinary(land: Land, region: Polygon, taken: list[BaseGeometry], count: int, seed: int) -> list[Polygon]:
    """Fields on open ground, apart from each other and from what is taken."""
    rng = np.random.default_rng(seed)
    open_ground = np.isin(land.cover, (CROP, GRASS, SHRUB)) & (land.slope < 17.0) & ~land.unmapped & ~land.void
    down, across = np.gradient(land.height, CELL)
    rows, cols = np.nonzero(open_ground)
    inner, made = region.buffer(-250.0), []
    for pick in rng.permutation(rows.size):
        row, col = rows[pick], cols[pick]
        x, y = LEFT + (col + 0.5) * CELL, TOP - (row + 0.5) * CELL
        if not inner.contains(Point(x, y)):
            continue
        bearing = math.degrees(math.atan2(-down[row, col], across[row, col])) + 90.0
        new = _field(rng, x, y, bearing, 1e4 * float(np.clip(rng.lognormal(0.9, 0.75), 0.35, 12.0)))
        if min((new.distance(old) for old in [*taken, *made]), default=1e9) > 850.0:
            made.append(new)
        if len(made) == count:
            break
    return made


def _awkward(land: Land, region: Polygon) -> list[tuple[str, str, BaseGeometry]]:
    """Id, name and shape of the parcels that trip a careless program."""
    town_x, town_y, _ = VILLAGES[0]
    farm = affinity.rotate(box(402_330.0, 4_655_400.0, 402_640.0, 4_655_630.0), 14.0)
    yard = affinity.rotate(box(402_450.0, 4_655_480.0, 402_520.0, 4_655_540.0), 14.0)
    west = affinity.rotate(box(398_830.0, 4_656_180.0, 399_000.0, 4_656_380.0), -9.0)
    sliver = affinity.rotate(box(405_100.0, 4_649_440.0, 405_640.0, 4_649_445.0), 21.0)
    # The last corner is crossed over: a bow-tie whose small loop is 6 m2 of 4 ha: mending it changes hardly anything.
    crossed = [(398_500, 4_648_000), (398_704, 4_648_000), (398_698, 4_648_206), (398_702, 4_648_203)]
    crossed += [(398_500, 4_648_200)]
    edge = region.intersection(box(403_000, 4_651_900, 412_000, 4_651_901)).bounds[2]
    return [
        ("007", "Farm Ring", farm.difference(yard)),
        ("1e3", "Both Sides", MultiPolygon([west, affinity.translate(west, 235.0, 30.0)])),
        ("033", "Headland Strip", sliver),
        ("034", "Well Plot", box(403_420.0, 4_648_870.0, 403_434.0, 4_648_881.0)),
        ("035", "Crossed Corner", Polygon(crossed)),
        ("036", "March Field", affinity.rotate(box(edge - 180.0, 4_651_800.0, edge + 120.0, 4_652_000.0), 3.0)),
        ("037", "Quarry Floor", box(QUARRY[0] - 80.0, QUARRY[1] - 70.0, QUARRY[0] + 70.0, QUARRY[1] + 75.0)),
        ("038", "Town End", affinity.rotate(box(town_x + 200.0, town_y + 10.0, town_x + 390.0, town_y + 160.0), 30.0)),
        ("039", "Peña Čista", affinity.rotate(box(405_000.0, 4_653_650.0, 405_260.0, 4_653_810.0), -24.0)),
    ]


def protected_grassland() -> Polygon:
    """A protected dry grassland that covers two fifths of parcel 007; invented like the rest."""
    corners = [(402_080, 4_655_180), (402_438, 4_655_230), (402_452, 4_655_600), (402_380, 4_655_760)]
    return Polygon([*corners, (402_120, 4_655_700)])


def parcels(land: Land, seed: int) -> gpd.GeoDataFrame:
    """Forty parcels in the ground's own CRS: `field_id` (text) and `name`."""
    region, odd = outline(seed), _awkward(land, outline(seed))
    plain = _ordinary(land, region, [geometry for _, _, geometry in odd], PARCELS - len(odd), seed)
    numbers = [f"{n:03d}" for n in range(1, 33) if n != 7]
    rows = sorted([*zip(numbers, NAMES, plain, strict=True), *odd], key=lambda row: row[0])
    return gpd.GeoDataFrame(
        {"field_id": [r[0] for r in rows], "name": [r[1] for r in rows]}, geometry=[r[2] for r in rows], crs=CRS
    )
