"""Zones that are too large for one piece of work, cut into parts of about equal area.

Cells are taken together in squares of the analysis grid, and a zone is halved across its longer side until no part is
larger than wanted. All sums are whole numbers, so no part depends on the size of blocks.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np
import numpy.typing as npt

from underoak.base.grid import Grid, Window
from underoak.indicators import cell_areas

Longs = npt.NDArray[np.int64]
_SQUARES = 16  # in the largest part, so that parts differ by some percent only


def part_name(zone: str, number: int) -> str:
    """Return the id of a part of a zone; parts count from 1."""
    return f"{zone}.{number}"


def zone_of_part(id: str) -> str:
    """Return the id of the zone that a part was cut from; that of a zone that was not cut stays.

    >>> zone_of_part(part_name("z12-7", 3)), zone_of_part("z12-7")
    ('z12-7', 'z12-7')
    """
    return id.partition(".")[0]


def square_side(grid: Grid, max_area_m2: float) -> int:
    """Return the side of the squares [cells] for parts of so much area at most.

    >>> square_side(Grid("EPSG:3035", (30.0, 0.0, 0.0, 0.0, -30.0, 0.0), 100, 100), 500_000.0)
    5
    """
    cell_m2 = float(cell_areas(grid, Window(grid.rows // 2, grid.cols // 2, 1, 1))[0, 0])
    return max(1, math.floor(math.sqrt(max_area_m2 / cell_m2 / _SQUARES)))


def _squares_of(window: Window, side: int) -> tuple[Longs, Longs]:
    """Return the row and the column of the square of each cell of a window, (rows, 1) and (1, cols)."""
    rows = (window.row + np.arange(window.rows, dtype=np.int64)) // side
    cols = (window.col + np.arange(window.cols, dtype=np.int64)) // side
    return rows[:, None], cols[None, :]


def squares_in(
    zone: Longs, is_cut: npt.NDArray[np.bool_], window: Window, side: int
) -> tuple[list[tuple[int, int, int]], Longs]:
    """Return the squares of a window's cells to cut, by zone, row and column, and the place there of each cell's."""
    keys = np.stack([*np.broadcast_arrays(zone, *_squares_of(window, side))], axis=-1)[is_cut]
    squares, number = np.unique(keys, axis=0, return_inverse=True)
    return [(zone, row, col) for zone, row, col in squares.tolist()], number.reshape(-1)


def cut(squares: Longs, areas: Longs, largest: int) -> list[Longs]:
    """Return the squares of each part, as indices in order; `squares` (squares, 2), `areas` in whole units.

    A part is at most `largest`, unless it is a single square.

    >>> line = np.array([[0, col] for col in range(8)])
    >>> [part.tolist() for part in cut(line, np.full(8, 10), 25)]
    [[0, 1], [2, 3], [4, 5], [6, 7]]
    """
    return list(_halves(np.arange(len(squares)), squares, areas, largest))


def colours(part_of_square: Mapping[tuple[int, int, int], int], count: int) -> Longs:
    """Return a number for each of `count` parts, so that parts that share an edge have different ones, (parts,).

    `part_of_square` by zone, row and column of a square.

    >>> colours({(0, 0, 0): 0, (0, 0, 1): 1, (0, 0, 2): 2}, 4).tolist()
    [0, 1, 0, 0]
    """
    beside: dict[int, set[int]] = {}
    for (zone, row, col), part in part_of_square.items():
        for neighbour in ((zone, row + 1, col), (zone, row, col + 1)):
            other = part_of_square.get(neighbour, part)
            if other != part:
                beside.setdefault(part, set()).add(other)
                beside.setdefault(other, set()).add(part)
    result = np.zeros(count, np.int64)
    for part in range(count):
        taken = {int(result[other]) for other in beside.get(part, ()) if other < part}
        result[part] = next(i for i in range(len(taken) + 1) if i not in taken)
    return result


def _halves(members: Longs, squares: Longs, areas: Longs, largest: int) -> Iterator[Longs]:
    total = int(areas[members].sum())
    extent = np.ptp(squares[members], axis=0)
    if total <= largest or not extent.any():
        yield members
        return
    axis = int(extent[1] >= extent[0])
    lines, of_member = np.unique(squares[members, axis], return_inverse=True)
    upto = np.cumsum(np.bincount(of_member, areas[members]).astype(np.int64))[:-1]  # area before each possible cut
    count = -(-total // largest)
    goal = total * (count // 2) / count
    is_first = of_member.reshape(-1) <= int(np.abs(upto - goal).argmin())
    assert len(lines) > 1
    yield from _halves(members[is_first], squares, areas, largest)
    yield from _halves(members[~is_first], squares, areas, largest)
