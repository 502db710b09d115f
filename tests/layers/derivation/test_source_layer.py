"""Layers derived from several sources, with latitudes, settings and wide surroundings: the same bits in any window."""

from __future__ import annotations

import pickle
from dataclasses import dataclass, field, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from underoak.base.grid import Grid, Window
from underoak.base.units import Affine1D
from underoak.indicators import Indicator, Input, get
from underoak.layers.derivation.source_layer import ExtraInput, SourceLayer
from underoak.layers.source import Reading, SourceFacts
from underoak.layers.stack import Stack, StackedLayer

DEM = Grid("EPSG:4326", (1 / 3600, 0, 1.95, 0, -1 / 3600, 41.6), 700, 900)
UTM = Grid("EPSG:32631", (40.0, 6.0, 414_500.0, 5.0, -41.0, 4_601_500.0), 400, 500)  # slanted
MONTHS = Grid("EPSG:4326", (0.01, 0, 1.9, 0, -0.01, 41.65), 60, 70)
TARGET = Grid.north_up("EPSG:25831", 417_000, 4_600_000, 30, 400, 450)
FACTS = SourceFacts("memory", "GeoTIFF", "float32", "m", "m", "as it is", files=("memory",))


def pattern(rows, cols, seed):
    return ((rows * 7919) ^ (cols * 104729) ^ (seed * 15485863)) % 1000


@dataclass(frozen=True)
class Field:
    """A source whose cells follow from where they lie; `asked` keeps the windows that were read."""

    grid: Grid
    seed: int = 0
    months: tuple[int, ...] = ()
    is_periodic: bool = False
    facts: SourceFacts = FACTS
    windows: list = field(default_factory=list, compare=False)

    def read(self, window: Window) -> Reading:
        assert window.clip(*self.grid.shape) == window
        self.windows.append(window)
        rows, cols = np.mgrid[window.row : window.row + window.rows, window.col : window.col + window.cols]
        mixed = pattern(rows, cols, self.seed)
        values = (mixed / 10.0).astype(np.float32)
        values[mixed < 20] = np.nan
        return Reading(np.stack([values + month for month in self.months]) if self.months else values, 1)


def difference(a, b, dx, dy, turn, corner, latitude, scale):
    """Every kind of thing at once: two inputs, sizes, latitude, a setting, and the cell two to the right."""
    lat = latitude[:, None] if latitude.ndim == 1 else latitude
    out = np.full(a.shape, np.nan, np.float32)
    out[:, :-2] = scale * (a[:, 2:] - b[:, :-2]) / dx[:, None]
    return (out + lat + dy[:, None]).astype(np.float32)


MIXED = Indicator(
    id="mixed", title="mixed", inputs={"a": Input("m"), "b": Input("m")}, unit="m", low=-1e9, high=1e9, source="none",
    text="A test.", compute=difference, halo=2, needs_cell_size=True, needs_latitude=True,
)  # fmt: skip
YEAR = tuple(range(1, 13))


def several(a, b, c):
    one, other, hot, cold = Field(a, 1), Field(a, 2), Field(MONTHS, 3, YEAR), Field(MONTHS, 4, YEAR)
    ground = Field(c, 5)
    codes = (("codes", (3, 4, 55)), ("within", 400.0))
    wide = (("radius", 350.0), ("inner", 60.0))
    return (
        StackedLayer("a", SourceLayer(one), "bilinear"),
        StackedLayer(
            "mixed",
            SourceLayer(one, indicator=MIXED, extra_inputs=(ExtraInput(other),), settings=(("scale", 2.0),)),
            "mean",
        ),
        StackedLayer("heat", SourceLayer(other, indicator=get("heat_load"), settings=(("equation", "1"),)), "mean"),
        StackedLayer("tpi", SourceLayer(one, indicator=get("topographic_position"), settings=wide), "bilinear"),
        StackedLayer(
            "sd", SourceLayer(ground, indicator=get("topographic_position_standardised"), settings=wide), "mean"
        ),
        StackedLayer("far", SourceLayer(ground, indicator=get("distance"), settings=codes), "bilinear"),
        StackedLayer(
            "et0",
            SourceLayer(
                cold, YEAR, get("hargreaves_year"), Affine1D(1.0, -30.0), extra_inputs=(ExtraInput(hot, YEAR),)
            ),
            "bilinear",
        ),
    )


@pytest.mark.parametrize("resident", [True, False], ids=["in memory", "read by tile"])
@pytest.mark.parametrize("grids", [(DEM, MONTHS, UTM), (UTM, MONTHS, DEM)], ids=["degrees", "slanted"])
@settings(max_examples=8, deadline=None)
@given(data=st.data())
def test_any_window_gives_the_bits_of_the_whole_grid(resident, grids, data):
    stack = Stack(TARGET, several(*grids), resident_values=10**9 if resident else 0)
    whole = stack.read(TARGET.window).values
    row, col = data.draw(st.integers(0, 399)), data.draw(st.integers(0, 449))
    window = Window(row, col, data.draw(st.integers(1, 400 - row)), data.draw(st.integers(1, 450 - col)))
    for name, values in stack.read(window).values.items():
        assert np.isfinite(whole[name]).mean() > 0.3, name
        assert np.array_equal(values, whole[name][window.slices], equal_nan=True), name


def test_a_source_that_several_layers_need_is_read_once_a_tile():
    layers = several(DEM, MONTHS, UTM)
    Stack(TARGET, layers, resident_values=0).read(Window(40, 50, 64, 64))
    sources = {id(source): source for layer in layers for source in layer.source_layer.sources}
    assert sorted(len(source.windows) for source in sources.values()) == [1] * 5


def test_a_narrow_layer_does_not_pay_for_a_wide_one_on_the_same_file():
    rows = {}

    def watched(name):
        indicator = get(name)

        def compute(**inputs):
            rows[name] = len(inputs[next(iter(indicator.inputs))])
            return indicator.compute(**inputs)

        return replace(indicator, compute=compute)

    one = Field(DEM, 1)
    settings = (("radius", 900.0), ("inner", 0.0))
    layers = (
        StackedLayer("slope", SourceLayer(one, indicator=watched("slope")), "nearest"),
        StackedLayer("tpi", SourceLayer(one, indicator=watched("topographic_position"), settings=settings), "nearest"),
    )
    Stack(TARGET, layers, resident_values=0).read(Window(100, 100, 64, 64))
    assert rows["topographic_position"] - rows["slope"] == 2 * (30 - 1)


def test_it_travels_to_another_process():
    stack = Stack(TARGET, several(DEM, MONTHS, UTM)[2:])  # `difference` is of this test alone
    window = Window(10, 20, 64, 64)
    here, there = stack.read(window).values, pickle.loads(pickle.dumps(stack)).read(window).values
    for name in here:
        assert np.array_equal(here[name], there[name], equal_nan=True), name


def test_inputs_are_brought_to_the_indicators_units_each_by_itself():
    one, other = Field(DEM, 1), Field(DEM, 2)
    feet = Affine1D(0.3048, 0.0)
    plain = SourceLayer(one, indicator=MIXED, extra_inputs=(ExtraInput(other),), settings=(("scale", 1.0),))
    mixed = SourceLayer(
        one, indicator=MIXED, extra_inputs=(ExtraInput(other, to_indicator_unit=feet),), settings=(("scale", 1.0),)
    )
    window = Window(100, 100, 40, 40)
    held = plain.input_window(window)
    a, b = (source.read(held).values for source in (one, other))
    expected = plain.derive(a, held, window, (b.astype(np.float64) * 0.3048).astype(np.float32))
    assert np.array_equal(mixed.derive(a, held, window, b), expected, equal_nan=True)


def test_a_world_map_is_joined_at_its_ends_for_wide_surroundings_and_several_inputs():
    world = Grid("EPSG:4326", (0.5, 0, -180.0, 0, -0.5, 90.0), 360, 720)
    one, other = Field(world, 1, is_periodic=True), Field(world, 2, is_periodic=True)
    fiji = Grid.north_up("EPSG:3460", 1_900_000, 4_100_000, 5000, 60, 60)
    far = (("radius", 300_000.0), ("inner", 0.0))
    layers = (
        StackedLayer("tpi", SourceLayer(one, indicator=get("topographic_position"), settings=far), "nearest"),
        StackedLayer(
            "mixed",
            SourceLayer(one, indicator=MIXED, extra_inputs=(ExtraInput(other),), settings=(("scale", 1.0),)),
            "nearest",
        ),
    )
    stack = Stack(fiji, layers)
    whole = stack.read(fiji.window).values
    assert np.isfinite(whole["tpi"]).all()
    assert np.isfinite(whole["mixed"]).mean() > 0.9
    part = Window(7, 11, 30, 31)
    for name, values in stack.read(part).values.items():
        assert np.array_equal(values, whole[name][part.slices], equal_nan=True), name


def test_facts_of_several_sources_name_them_all():
    native = SourceLayer(Field(DEM, 1), indicator=MIXED, extra_inputs=(ExtraInput(Field(DEM, 2, facts=FACTS)),))
    assert native.facts.decoding == "a: as it is. b: as it is"
    assert native.facts.files == ("memory",)
