"""Which tile comes after which."""

from types import SimpleNamespace

from underoak.base.grid import Grid
from underoak.engine.workers.runner import tile_order


def stack(block: tuple[int, int], rows: int = 5000, cols: int = 7000) -> SimpleNamespace:
    grid = Grid.north_up("EPSG:25831", 0.0, 0.0, 30.0, 3000, 5000)
    source = SimpleNamespace(facts=SimpleNamespace(block=block), grid=SimpleNamespace(rows=rows, cols=cols))
    return SimpleNamespace(grid=grid, layers=[SimpleNamespace(source_layer=SimpleNamespace(sources=(source,)))])


def places(at: SimpleNamespace) -> list[tuple[int, int]]:
    return [(tile.row // 1024, tile.col // 1024) for tile in tile_order(at.grid.tiles(1024), at)]


def test_tiles_go_down_narrow_bands():
    downwards = [(row, col) for row in range(3) for col in (0, 1)]
    assert places(stack((512, 512)))[:6] == downwards
    assert sorted(places(stack((512, 512)))) == [(row, col) for row in range(3) for col in range(5)]


def test_tiles_go_row_by_row_over_a_large_source_in_strips():
    row_by_row = [(row, col) for row in range(3) for col in range(5)]
    assert places(stack((1, 7000))) == row_by_row
    assert places(stack((1, 700), 400, 700)) != row_by_row  # a small one is read once
