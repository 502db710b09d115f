"""Tile rules: from a place to the name of the file that holds it. A rule is code, an address is data."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

Bounds = tuple[float, float, float, float]  # left, bottom, right, top, in units of the set's coordinate system


@dataclass(frozen=True, slots=True)
class Tile:
    """A tile: its name, and the ground that it covers (left, bottom, right, top)."""

    name: str
    bounds: Bounds


@dataclass(frozen=True, slots=True)
class TileRule:
    """A named rule. Tiles lie on a lattice; `name` gives the name of the tile in column and row of it."""

    text: str
    origin: tuple[float, float]
    step: tuple[float, float]  # of columns and rows; rows count down where it is negative
    name: Callable[[int, int, int], str]  # of column, row, and tiles along a side of a block

    def at(self, x: float, y: float, blocks: int = 1) -> Tile:
        """Return the tile that holds a place. A place on an edge belongs to the tile right of it, or that rows go to.

        >>> TILE_RULES["degree_sw"].at(-0.82, 40.14).name
        'N40_00_W001_00'
        """
        step_x, step_y = self._steps(blocks)
        col, row = math.floor((x - self.origin[0]) / step_x), math.floor((y - self.origin[1]) / step_y)
        return self._tile(col, row, blocks)

    def over(self, bounds: Bounds, blocks: int = 1) -> tuple[Tile, ...]:
        """Return the tiles that share ground with a box, by rows."""
        left, bottom, right, top = bounds
        step_x, step_y = self._steps(blocks)
        first_col, last_col = _span((left - self.origin[0]) / step_x, (right - self.origin[0]) / step_x)
        first_row, last_row = _span((bottom - self.origin[1]) / step_y, (top - self.origin[1]) / step_y)
        return tuple(
            self._tile(col, row, blocks)
            for row in range(first_row, last_row + 1)
            for col in range(first_col, last_col + 1)
        )

    def _steps(self, blocks: int) -> tuple[float, float]:
        return self.step[0] / blocks, self.step[1] / blocks

    def _tile(self, col: int, row: int, blocks: int) -> Tile:
        step_x, step_y = self._steps(blocks)
        xs = sorted(self.origin[0] + step_x * (col + n) for n in (0, 1))
        ys = sorted(self.origin[1] + step_y * (row + n) for n in (0, 1))
        return Tile(self.name(col, row, blocks), (xs[0], ys[0], xs[1], ys[1]))


def _span(a: float, b: float) -> tuple[int, int]:
    low, high = min(a, b), max(a, b)
    return math.floor(low), max(math.floor(low), math.ceil(high) - 1)


def _degree_sw(lon: int, lat: int, blocks: int) -> str:
    return f"{'NS'[lat < 0]}{abs(lat):02d}_00_{'EW'[lon < 0]}{abs(lon):03d}_00"


def _three_degree_sw(col: int, row: int, blocks: int) -> str:
    lon, lat = 3 * col, 3 * row
    return f"{'NS'[lat < 0]}{abs(lat):02d}{'EW'[lon < 0]}{abs(lon):03d}"


def _degree_nw(lon: int, lat: int, blocks: int) -> str:
    north = lat + 1
    return f"{'ns'[north < 0]}{abs(north):02d}{'ew'[lon < 0]}{abs(lon):03d}"


def _homolosine_block(col: int, row: int, blocks: int) -> str:
    (big_col, c), (big_row, r) = divmod(col, blocks), divmod(row, blocks)
    block = f"tileSG-{big_row:03d}-{big_col:03d}"
    return f"{block}/{block}_{r + 1}-{c + 1}"


TILE_RULES = {
    "one_file": TileRule("one file for all ground", (-1e9, -1e9), (2e9, 2e9), lambda col, row, blocks: ""),
    "degree_sw": TileRule("one degree, named by the south-west corner", (0.0, 0.0), (1.0, 1.0), _degree_sw),
    "three_degree_sw": TileRule(
        "three degrees, named by the south-west corner", (0.0, 0.0), (3.0, 3.0), _three_degree_sw
    ),
    "degree_nw": TileRule("one degree, named by the north-west corner", (0.0, 0.0), (1.0, 1.0), _degree_nw),
    "homolosine_block": TileRule(
        "blocks of 450 km of the homolosine, cut into smaller tiles",
        (-20_037_500.0, 8_600_750.0),
        (450_000.0, -450_000.0),
        _homolosine_block,
    ),
}
