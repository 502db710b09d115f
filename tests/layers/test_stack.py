"""Layers on the analysis grid, tile by tile."""

import pickle
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.base.grid import Grid, Window
from underoak.indicators import get
from underoak.layers.derivation.source_layer import SourceLayer
from underoak.layers.source import Reading, SourceFacts
from underoak.layers.stack import Stack, StackedLayer

HOMOLOSINE = "+proj=igh +lon_0=0 +datum=WGS84 +units=m +no_defs"
FACTS = SourceFacts("memory", "GeoTIFF", "float32", "m", "m", "as it is")


def pattern(rows, cols):
    """Rough whole numbers 0..999 that follow from the place."""
    return ((rows * 7919) ^ (cols * 104729)) % 1000


@dataclass(frozen=True, eq=False)
class Field:
    """A source whose cells follow from where they lie, so that it may be as large as the Earth."""

    grid: Grid
    is_periodic: bool = False
    months: tuple[int, ...] = ()
    facts: SourceFacts = FACTS

    def read(self, window: Window) -> Reading:
        assert window.clip(*self.grid.shape) == window, "a source is only asked for cells that it has"
        rows, cols = np.mgrid[window.row : window.row + window.rows, window.col : window.col + window.cols]
        mixed = pattern(rows, cols)
        values = (mixed / 10.0).astype(np.float32)
        values[mixed < 20] = np.nan
        if self.months:
            values = np.stack([values + month for month in self.months])
        return Reading(values, 1)


DEM = Field(Grid("EPSG:4326", (1 / 3600, 0, 1.95, 0, -1 / 3600, 41.6), 1200, 1500))
SOIL = Field(Grid.north_up(HOMOLOSINE, 985_000, 4_632_000, 250, 160, 160))
TARGET = Grid.north_up("EPSG:25831", 417_000, 4_600_000, 30, 900, 1000)


def layers(*more: StackedLayer) -> tuple[StackedLayer, ...]:
    return (
        StackedLayer("elevation", SourceLayer(DEM), "bilinear"),
        StackedLayer("slope", SourceLayer(DEM, indicator=get("slope")), "mean"),
        StackedLayer("northness", SourceLayer(DEM, indicator=get("northness")), "bilinear"),
        StackedLayer("soil", SourceLayer(SOIL), "bilinear"),
        StackedLayer("kinds", SourceLayer(SOIL), "mode"),
        *more,
    )


@pytest.mark.parametrize("resident", [True, False], ids=["in memory", "read by tile"])
@settings(max_examples=6, deadline=None)
@given(data=st.data())
def test_any_window_gives_the_bits_of_the_whole_grid(resident, data):
    stack = Stack(TARGET, layers(), resident_values=10**9 if resident else 0)
    whole = stack.read(TARGET.window).values
    row, col = data.draw(st.integers(0, 899)), data.draw(st.integers(0, 999))
    window = Window(row, col, data.draw(st.integers(1, 900 - row)), data.draw(st.integers(1, 1000 - col)))
    for name, values in stack.read(window).values.items():
        assert np.isfinite(whole[name]).mean() > 0.5
        assert np.array_equal(values, whole[name][window.slices], equal_nan=True), name


def test_a_layer_in_memory_is_the_layer_read_by_tile():
    window = Window(100, 200, 300, 300)
    in_memory = Stack(TARGET, layers()).read(window).values
    by_tile = Stack(TARGET, layers(), resident_values=0).read(window).values
    for name in in_memory:
        assert np.array_equal(in_memory[name], by_tile[name], equal_nan=True), name


def test_some_of_the_layers_are_what_they_are_among_all():
    stack, window = Stack(TARGET, layers()), Window(100, 200, 300, 300)
    whole = stack.read(window).values
    some = stack.select(frozenset({"soil", "elevation"})).read(window).values
    assert set(some) == {"soil", "elevation"}
    for name in some:
        assert np.array_equal(some[name], whole[name], equal_nan=True), name


def test_it_travels_to_another_process_without_the_layers_in_memory():
    stack = Stack(TARGET, layers())
    window = Window(0, 0, 64, 64)
    here = stack.read(window).values
    there = pickle.loads(pickle.dumps(Stack(TARGET, layers()[:1])))  # Field compares by identity, so one layer alone
    assert np.array_equal(there.read(window).values["elevation"], here["elevation"], equal_nan=True)


def test_only_the_named_layers_are_read():
    assert set(Stack(TARGET, layers()).read(Window(0, 0, 10, 10), frozenset({"soil"})).values) == {"soil"}


def test_months_are_selected_and_reduced():
    year = Field(SOIL.grid, months=tuple(range(1, 13)))
    summer = SourceLayer(year, selected_months=(6, 7, 8), indicator=get("months_sum"))
    stack = Stack(
        TARGET, (StackedLayer("plain", SourceLayer(SOIL), "nearest"), StackedLayer("summer", summer, "nearest"))
    )
    values = stack.read(Window(0, 0, 200, 200)).values
    assert np.allclose(values["summer"], 3 * values["plain"] + 21, equal_nan=True)


def test_values_that_a_derived_layer_cannot_have_are_missing():
    native = SourceLayer(DEM, indicator=get("slope"))
    steep = replace(native, valid=(0.0, 60.0))
    stack = Stack(TARGET, (StackedLayer("all", native, "nearest"), StackedLayer("some", steep, "nearest")))
    values = stack.read(Window(300, 300, 300, 300)).values
    assert (values["all"] > 60).any()
    assert np.nanmax(values["some"]) <= 60
    kept = values["all"] <= 60
    assert np.array_equal(values["some"][kept], values["all"][kept])


def test_a_grid_across_the_antimeridian_is_read_from_both_ends_of_a_world_map():
    world = Field(Grid("EPSG:4326", (0.1, 0, -180.0, 0, -0.1, 90.0), 1800, 3600), is_periodic=True)
    fiji = Grid.north_up("EPSG:3460", 1_900_000, 4_100_000, 1000, 300, 300)
    from underoak.base import crs

    left, right = (crs.transformer("EPSG:3460", "EPSG:4326").transform(x, 3_950_000)[0] for x in (1.9e6, 2.2e6))
    assert left > 0 > right  # the grid does cross it
    values = Stack(fiji, (StackedLayer("w", SourceLayer(world), "nearest"),)).read(fiji.window).values["w"]
    u, v = np.mgrid[0:300, 0:300][::-1] + 0.5
    lon, lat = crs.transformer("EPSG:3460", "EPSG:4326").transform(*fiji.xy(u, v))
    cols, rows = np.floor((lon + 180) / 0.1).astype(int) % 3600, np.floor((90 - lat) / 0.1).astype(int)
    truth = (pattern(rows, cols) / 10.0).astype(np.float32)
    fine = ~np.isnan(values)
    assert fine.mean() > 0.9
    assert (values == truth)[fine].mean() > 0.995  # centres on the very edge of a cell may fall either way


def test_ground_torn_apart_by_the_homolosine_is_read_in_pieces():
    soil = Field(Grid.north_up(HOMOLOSINE, -20_000_000.0, 8_700_000.0, 250.0, 69_600, 160_000))
    greenland = Grid.north_up("EPSG:32624", 300_000, 8_100_000, 100, 512, 2048)  # holds 40 W, where the lobes part
    stack = Stack(greenland, (StackedLayer("soil", SourceLayer(soil), "nearest"),))
    window = Window(0, 0, 256, 2048)
    values = stack.read(window).values["soil"]
    from underoak.base import crs

    u, v = np.meshgrid(np.arange(2048) + 0.5, np.arange(256) + 0.5)
    x, y = crs.transformer("EPSG:32624", HOMOLOSINE).transform(*greenland.xy(u, v))
    assert np.ptp(x) > 1_000_000  # the two sides lie far apart
    cols, rows = (np.floor(w).astype(int) for w in soil.grid.uv(x, y))
    truth = pattern(rows, cols)
    expected = np.where(truth < 20, np.nan, (truth / 10.0).astype(np.float32))
    same = (values == expected) | (np.isnan(values) & np.isnan(expected))
    assert same.mean() > 0.98  # nearest at a cell's very edge may fall either way, within the mesh's hundredth
    part = Window(37, 700, 150, 900)
    assert np.array_equal(stack.read(part).values["soil"], values[part.slices], equal_nan=True)


def test_a_map_of_the_world_from_0_to_360_overlaps_a_region_west_of_greenwich():
    from underoak.base.errors import Problems
    from underoak.engine.prepare.overlap import check_overlap

    world = Field(Grid("EPSG:4326", (0.1, 0, 0.0, 0, -0.1, 90.0), 1800, 3600), is_periodic=True)
    spain = Grid.north_up("EPSG:25830", 400_000, 4_500_000, 1000, 100, 100)
    layer = StackedLayer("w", SourceLayer(world), "nearest")
    stack, problems = Stack(spain, (layer,)), Problems()
    check_overlap(stack, layer, problems)
    assert problems.faults == []
    assert np.isfinite(stack.read(spain.window).values["w"]).mean() > 0.9


@pytest.mark.parametrize("cell", [400, pytest.param(2500, marks=pytest.mark.slow)])
def test_one_cell_far_larger_than_the_source_cells_is_read_as_among_others(cell):
    """A square of the mesh spans thousands of source cells there, though nothing is torn apart."""
    fine = Field(Grid.north_up("EPSG:25831", 0, 5_000_000, 30, 400_000, 400_000))
    stacked = (StackedLayer("fine", SourceLayer(fine), "nearest"),)
    whole = Grid.north_up("EPSG:25831", 420_000, 4_620_000, cell, 3, 3)
    alone = Grid.north_up("EPSG:25831", 420_000 + cell, 4_620_000 - cell, cell, 1, 1)
    among = Stack(whole, stacked).read(Window(0, 0, 3, 3)).values["fine"]
    by_itself = Stack(alone, stacked).read(Window(0, 0, 1, 1)).values["fine"]
    np.testing.assert_array_equal(by_itself[0, 0], among[1, 1])
