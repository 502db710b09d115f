"""The country of Querna, invented: relief, rock, soil, cover and climate as arrays on one 30 m ground.

Nothing here was measured anywhere. A stream-power model (slope and drained area decide how fast a stream cuts down;
Howard 1994, solved implicitly as Braun & Willett 2013 do; both from memory) carves a valley and its side valleys into
a limestone slab that lies on marl; noise, hollows and a few rules of common sense do the rest.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

SEED = 20_260
CRS = "EPSG:25831"
CELL = 30.0  # [m]
COARSE = 5  # the relief is carved on cells five times as wide
LEFT, TOP = 391_450.0, 4_660_450.0
ROWS, COLS = 106 * COARSE, 154 * COARSE
REGION = (396_000.0, 4_647_000.0, 410_000.0, 4_658_000.0)  # left, bottom, right, top: the ground that is asked about
TREE, SHRUB, GRASS, CROP, BUILT, BARE, WATER = 10, 20, 30, 40, 50, 60, 80
# Where people live: x, y, radius [m]. The quarry has no soil left, and the soil map says so.
VILLAGES = ((404_250.0, 4_651_450.0, 430.0), (399_900.0, 4_655_900.0, 230.0), (404_900.0, 4_648_050.0, 210.0))
QUARRY = (401_900.0, 4_648_500.0, 620.0)
DAM_X = 399_300.0

# Limestone, red clay left on it where lime has been washed out, sandstone, marl, valley floor.
_PH = (7.50, 6.50, 6.15, 8.00, 8.10)
_PH_SPREAD = (0.27, 0.22, 0.30, 0.12, 0.08)
_CLAY = (305.0, 435.0, 145.0, 445.0, 395.0)  # [g/kg]
_CLAY_SPREAD = (48.0, 30.0, 28.0, 42.0, 34.0)
_SAND = (290.0, 190.0, 640.0, 185.0, 255.0)  # [g/kg]
_SAND_SPREAD = (45.0, 30.0, 50.0, 35.0, 40.0)
_LIME = (210.0, 11.0, 1.0, 330.0, 260.0)  # carbonate [g/kg]; it varies by half of itself
_CARBON = {TREE: 25.0, SHRUB: 20.0, GRASS: 18.0, CROP: 11.0, BUILT: 12.0, BARE: 7.0, WATER: 12.0}  # organic [g/kg]

# An ordinary year at 500 m: mean temperature [degC], how fast it falls with height [K/km], rain [mm], month by month.
_WARMTH = np.array([4.4, 5.6, 8.7, 11.2, 15.4, 19.9, 23.2, 22.8, 18.7, 13.9, 8.3, 5.1])
_LAPSE = np.array([4.6, 5.0, 5.6, 6.1, 6.3, 6.4, 6.3, 6.2, 5.9, 5.4, 4.9, 4.6])
_RAIN = np.array([44.0, 40.0, 50.0, 64.0, 68.0, 35.0, 17.0, 35.0, 66.0, 74.0, 60.0, 48.0])

_NEIGHBOURS = [(r, c, 1.0 if r == 0 or c == 0 else 0.5**0.5) for r in (-1, 0, 1) for c in (-1, 0, 1) if r or c]


@dataclass(frozen=True, slots=True)
class Land:
    """Arrays (rows, cols) on the 30 m ground, rows running south."""

    height: Array  # [m]
    slope: Array  # [degree]
    ph: Array  # in water
    clay: Array  # [g/kg]
    unmapped: Mask  # where the soil map says nothing
    void: Mask  # where the elevation says nothing
    cover: npt.NDArray[np.uint8]
    sand: Array  # [g/kg]
    lime: Array  # carbonate [g/kg]
    carbon: Array  # organic carbon [g/kg]

    @staticmethod
    def at(field: Array, x: Array, y: Array, order: int = 1) -> Array:
        """A field at ground coordinates [m]; beyond the edge the edge goes on."""
        where = [(TOP - y) / CELL - 0.5, (x - LEFT) / CELL - 0.5]
        return ndimage.map_coordinates(field, where, order=order, mode="nearest")


def noise(rng: np.random.Generator, wave: float, octaves: int = 1, fall: float = 0.5, cell: float = CELL) -> Array:
    """Smooth noise of unit spread: octaves of cubic splines through random lattices, the widest `wave` [m] across."""
    rows, cols = round(ROWS * CELL / cell), round(COLS * CELL / cell)
    total = np.zeros((rows, cols))
    for octave in range(octaves):
        step = wave / cell / 2**octave
        lattice = rng.standard_normal((int(rows / step) + 4, int(cols / step) + 4))
        v, u = np.mgrid[0:rows, 0:cols] / step + 1.0
        total += fall**octave * ndimage.map_coordinates(lattice, [v, u], order=3)
    return total / total.std()


def ramp(values: Array, low: float, high: float) -> Array:
    """0 at `low`, 1 at `high`, smooth between; `low` may be the greater."""
    t = np.clip((values - low) / (high - low), 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def course() -> tuple[Array, Array, Array]:
    """Points along the river: x, y, height of its bed [m]."""
    x = np.linspace(LEFT, LEFT + COLS * CELL - 1.0, 1600)
    km = (x - LEFT) / 1000.0
    y = 4_650_700.0 + 700.0 * np.sin(km / 2.7 + 0.6) + 380.0 * np.sin(km / 1.05 + 1.9) + 35.0 * (km - 11.0)
    return x, y, 452.0 - 3.6 * km


def steepness(height: Array) -> Array:
    """Slope [degree] by central differences."""
    down, across = np.gradient(height, CELL)
    return np.degrees(np.arctan(np.hypot(down, across)))


def _centres(cell: float = CELL) -> tuple[Array, Array]:
    """Ground coordinates of cell centres, (rows, cols) each."""
    cols, rows = round(COLS * CELL / cell), round(ROWS * CELL / cell)
    x, y = np.meshgrid(LEFT + (np.arange(cols) + 0.5) * cell, TOP - (np.arange(rows) + 0.5) * cell)
    return x, y


def _river_cells(cell: float) -> tuple[Mask, Array]:
    """The cells the river runs through, and the height of its bed in them."""
    x, y, bed = course()
    river, height = np.zeros(_centres(cell)[0].shape, bool), np.zeros(_centres(cell)[0].shape)
    at = ((TOP - y) / cell).astype(int), ((x - LEFT) / cell).astype(int)
    river[at], height[at] = True, bed
    return river, height


def _flood(height: list[float], base: list[int], rows: int, cols: int) -> tuple[list[int], list[int]]:
    """Cells from the river upwards, hollows filled, and the lower cell that each one drains to most steeply."""
    parent, level, order = [-1] * len(height), list(height), []
    heap = [(height[n], n, n) for n in base]
    heapq.heapify(heap)
    while heap:
        here, n, into = heapq.heappop(heap)
        if parent[n] >= 0:
            continue
        level[n] = here
        order.append(n)
        row, col = divmod(n, cols)
        steepest = 0.0
        for dr, dc, share in _NEIGHBOURS:
            r, c = row + dr, col + dc
            if 0 <= r < rows and 0 <= c < cols:
                m = r * cols + c
                if parent[m] < 0:
                    heapq.heappush(heap, (max(here, height[m]), m, n))
                elif (here - level[m]) * share > steepest:
                    steepest, into = (here - level[m]) * share, m
        parent[n] = into
    return order, parent


def _carve(start: Array, contact: Array, yields: Array, river: Mask, bed: Array) -> Array:
    """The plateau after streams have cut down into it: limestone slowly, marl (below `contact`) fast."""
    rows, cols = start.shape
    cell = CELL * COARSE
    z, base = np.where(river, bed, start), np.flatnonzero(river).tolist()
    for _ in range(16):
        order, parent = _flood(z.ravel().tolist(), base, rows, cols)
        area = [cell * cell] * z.size
        for n in reversed(order):
            if parent[n] != n:
                area[parent[n]] += area[n]
        rate = yields * np.where(z > contact, 0.05, 0.08) * np.sqrt(np.array(area)).reshape(z.shape) / cell
        cut, flat = rate.ravel().tolist(), z.ravel().tolist()
        for n in order:
            p = parent[n]
            if p != n and flat[n] > flat[p]:
                flat[n] = (flat[n] + cut[n] * flat[p]) / (1.0 + cut[n])
        z = np.array(flat).reshape(z.shape)
        z = np.where(river, bed, z + np.where(z > contact, 0.04, 0.12) * ndimage.laplace(z, mode="nearest"))
    return z


def _relief(rng: np.random.Generator) -> tuple[Array, Array, Array]:
    """Height of the land, height of the marl's top, and where sandstone takes the limestone's place (0..1)."""
    cell = CELL * COARSE
    x, y = _centres(cell)
    river, bed = _river_cells(cell)
    away = ndimage.distance_transform_edt(~river) * cell
    away = away * np.clip(1.0 + 0.35 * noise(rng, 5000, 3, 0.5, cell), 0.3, 2.0)
    start = 470.0 + 60.0 * ramp(away, 0, 1200) + 310.0 * ramp(away, 700, 3000) + 60.0 * ramp(away, 3000, 7000)
    start += 42.0 * noise(rng, 5000, 6, 0.62, cell) + (y - 4_652_500.0) * 0.006
    contact = 590.0 + (y - 4_650_500.0) * 0.010 + 18.0 * noise(rng, 6000, 2, 0.5, cell)
    sand = ramp(x - 406_300.0 + 0.35 * (y - 4_652_000.0) + 350.0 * noise(rng, 4000, 2, 0.5, cell), -300, 300)
    yields = np.exp(0.5 * noise(rng, 1500, 3, 0.7, cell)) * (1.0 + sand)
    start += 6.0 * rng.standard_normal(start.shape)  # breaks the ties that make streams run straight
    carved = _carve(start, contact, yields, river, bed)
    fine = [ndimage.zoom(a, COARSE, order=3, mode="nearest", grid_mode=True) for a in (carved, contact, sand)]
    return fine[0], fine[1], fine[2]


def _hollows(rng: np.random.Generator, height: Array, where: Array, count: int) -> Array:
    """Dolines: round hollows where limestone lies flat, many small and few large."""
    x, y = _centres()
    z = height.copy()
    rows, cols = np.nonzero(where > 0.6)
    for pick in rng.choice(rows.size, size=count, replace=False):
        radius, stretch = 45.0 + 165.0 * rng.random() ** 3, 0.75 + 0.5 * rng.random()
        dx, dy = (x - x[0, cols[pick]]) * stretch, (y - y[rows[pick], 0]) / stretch
        t = np.clip(1.0 - (dx * dx + dy * dy) / radius**2, 0.0, 1.0)
        z -= (0.07 + 0.07 * rng.random()) * radius * t * t
    return z


def _lake(height: Array) -> tuple[Mask, float]:
    """The water behind the dam, and its level [m]."""
    x, _ = _centres()
    along, _, bed = course()
    level = float(np.interp(DAM_X, along, bed)) + 11.0
    pools, _ = ndimage.label((height < level) & (x < DAM_X) & (x > DAM_X - 3500.0))
    sizes = np.bincount(pools.ravel())
    sizes[0] = 0
    return pools == sizes.argmax(), level


def _cover(rng: np.random.Generator, height: Array, slope: Array, soft: Array, water: Mask) -> tuple[Array, Mask]:
    """Land cover codes, and the villages. `soft` is the share of ground a plough likes (0..1)."""
    x, y = _centres()
    down = np.gradient(ndimage.gaussian_filter(height, 3), CELL, axis=0)
    shade = np.clip(-down, -0.5, 0.5)  # rows run south: ground that falls northward is cool
    patch = noise(rng, 700, 3, 0.6)
    fields = np.kron(rng.random((ROWS // 5 + 1, COLS // 5 + 1)), np.ones((5, 5)))[:ROWS, :COLS]
    wood = ramp(slope, 6, 22) + 1.2 * shade + 0.38 * patch + 0.25 * ramp(height, 650, 900)
    cover = np.where(wood > 0.75, TREE, np.where(wood + 0.3 * noise(rng, 500, 3, 0.6) > 0.42, SHRUB, GRASS))
    ploughed = (soft * ramp(slope, 11, 4) + 0.16 * patch + 0.25 * fields > 0.66) & (slope < 11)
    cover = np.where(ploughed, CROP, cover)
    cover = np.where((slope > 36) | (np.hypot(x - QUARRY[0], y - QUARRY[1]) < 0.55 * QUARRY[2]), BARE, cover)
    ragged = 1.0 + 0.3 * noise(rng, 260, 3, 0.7)
    town = np.zeros(cover.shape, bool)
    for tx, ty, radius in VILLAGES:
        town |= (np.hypot(x - tx, (y - ty) * 1.25) < radius * ragged) & (slope < 16)
    return np.where(water, WATER, np.where(town, BUILT, cover)), town & ~water


def build(seed: int = SEED) -> Land:
    """The whole country; the same seed gives the same land."""
    rng = np.random.default_rng(seed)
    x, y = _centres()
    height, contact, sand = _relief(rng)
    along, _, bed = course()
    above = height - np.interp(x[0], along, bed)[None, :]

    # Rock and what lies on it, as shares of one.
    hard = ramp(height - contact, -12, 12)
    smooth = steepness(ndimage.gaussian_filter(height, 3))
    flat_lime = hard * (1.0 - sand) * ramp(smooth, 11, 4)
    red = flat_lime * ramp(noise(rng, 1900, 3, 0.5), -0.1, 0.9)
    floor = (1.0 - hard) * ramp(above, 32, 12) * ramp(smooth, 7, 3)
    shares = [hard * (1.0 - sand) - red, red, hard * sand, 1.0 - hard - floor, floor]
    shares = [ndimage.gaussian_filter(share, 4.0) for share in shares]

    # Roughness a stream model leaves out, hollows, and still water.
    rough = 0.25 + hard * (1.2 + 5.0 * ramp(smooth, 4, 22)) + (1.0 - hard) * 0.8 * ramp(smooth, 4, 15)
    height = _hollows(rng, height + rough * noise(rng, 480, 4, 0.55), flat_lime, 170)
    lake, level = _lake(height)
    height = np.where(lake, level, height)
    slope = steepness(height)

    drift = noise(rng, 1300, 3, 0.55), noise(rng, 1300, 3, 0.55)
    ph = sum(share * (m + w * drift[0]) for share, m, w in zip(shares, _PH, _PH_SPREAD, strict=True))
    ph = ph + shares[0] * (0.25 * ramp(slope, 5, 18) - 0.30 * ramp(height, 760, 940))  # thin and stony, or leached
    clay = sum(share * (m + w * drift[1]) for share, m, w in zip(shares, _CLAY, _CLAY_SPREAD, strict=True))

    stream = ndimage.distance_transform_edt(~_river_cells(CELL)[0]) * CELL < 40.0
    cover, town = _cover(rng, height, slope, shares[1] + shares[3] + shares[4] + 0.35 * shares[0], lake | stream)
    quarry = np.hypot(x - QUARRY[0], y - QUARRY[1]) < QUARRY[2]
    unmapped = lake | quarry | (ndimage.uniform_filter(town.astype(float), 9) > 0.45)
    cliffs = np.where(hard > 0.5, slope, 0.0)
    at = np.unravel_index(cliffs[150:380, 200:560].argmax(), (230, 360))
    void = np.hypot((x - x[0, at[1] + 200]) / 1.6, y - y[at[0] + 150, 0]) < 110.0  # a gorge the radar did not see into
    sand_share, lime, carbon = _more_soil(np.random.default_rng([seed, 2]), shares, ph, clay, height, cover)
    return Land(height, slope, ph, clay, unmapped, void, cover.astype(np.uint8), sand_share, lime, carbon)


def _more_soil(
    rng: np.random.Generator, shares: list[Array], ph: Array, clay: Array, height: Array, cover: Array
) -> tuple[Array, Array, Array]:
    """Sand, carbonate and organic carbon [g/kg]; of random numbers of their own, so that the other fields stay.

    Ground below pH 6.6 has lost its carbonate. Carbon follows the land cover, and grows with height.
    """
    drift = noise(rng, 1300, 3, 0.55), noise(rng, 900, 3, 0.55), noise(rng, 700, 3, 0.55)
    sand = sum(share * (m + w * drift[0]) for share, m, w in zip(shares, _SAND, _SAND_SPREAD, strict=True))
    sand = np.clip(sand, 20.0, 950.0 - clay)
    lime = sum(share * m for share, m in zip(shares, _LIME, strict=True)) * np.exp(0.5 * drift[1])
    lime = np.clip(lime, 0.0, 700.0) * ramp(ph, 6.6, 7.4)
    carbon = np.zeros(cover.shape)
    for code, amount in _CARBON.items():
        carbon[cover == code] = amount
    carbon = ndimage.gaussian_filter(carbon, 4.0) * (1.0 + 0.4 * (height - 600.0) / 1000.0) * np.exp(0.2 * drift[2])
    return sand, lime, carbon


def climate(land: Land, x: Array, y: Array) -> tuple[Array, Array]:
    """Mean temperature [degC] and rain [mm] of each month, (12, points), at ground coordinates [m] over about 5 km."""
    broad = ndimage.gaussian_filter(land.height, 2200.0 / CELL, mode="nearest")
    km = (land.at(broad, x, y) - 500.0) / 1000.0
    warmth = _WARMTH[:, None] - _LAPSE[:, None] * km[None, :]
    east, north = (x - 403_000.0) / 1000.0, (y - 4_652_500.0) / 1000.0
    rain = _RAIN[:, None] * (1.0 + 0.75 * km - 0.006 * east + 0.008 * north)[None, :]
    return warmth, rain
