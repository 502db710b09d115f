"""An indicator over a whole file: worked out once, kept, and refused where the file is too large."""

from __future__ import annotations

import pickle
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from underoak.base.errors import UnderoakError
from underoak.base.grid import Grid, Window
from underoak.indicators import get, on_grid
from underoak.layers.derivation.whole_file import MAX_CELLS, WholeFileSource
from underoak.layers.source import Reading, SourceFacts

pytest.importorskip("pyflwdir")
FACTS = SourceFacts("memory", "GeoTIFF", "float32", "ft", "ft", "as it is")
GRID = Grid.north_up("EPSG:25831", 500_000.0, 4_600_000.0, 10.0, 40, 50)


@dataclass(frozen=True)
class Field:
    grid: Grid = GRID
    is_periodic: bool = False
    months: tuple[int, ...] = ()
    facts: SourceFacts = FACTS
    windows: list = field(default_factory=list, compare=False)

    def read(self, window: Window) -> Reading:
        self.windows.append(window)
        values = np.random.default_rng(1).normal(size=self.grid.shape).cumsum(0).cumsum(1).astype(np.float32)
        return Reading(values[window.slices])


def test_a_file_is_read_once_for_all_windows():
    source = Field()
    whole = WholeFileSource(source, get("wetness_index"))
    made = [whole.read(window).values for window in (Window(0, 0, 40, 50), Window(3, 4, 5, 6), Window(0, 0, 1, 1))]
    assert source.windows == [GRID.window]
    assert np.array_equal(made[1], made[0][3:8, 4:10], equal_nan=True)
    expected = on_grid(get("wetness_index"), Field().read(GRID.window).values, GRID, GRID.window)
    assert np.array_equal(made[0], expected, equal_nan=True)


def test_another_process_works_it_out_for_itself():
    whole = WholeFileSource(Field(), get("wetness_index"), unit="")
    here = whole.read(GRID.window).values
    there = pickle.loads(pickle.dumps(whole))
    assert there == whole
    assert np.array_equal(there.read(GRID.window).values, here, equal_nan=True)
    assert there.source.windows == [GRID.window, GRID.window]  # read here, and again there


def test_too_large_a_file_is_refused_and_the_need_told():
    huge = Field(Grid.north_up("EPSG:25831", 0.0, 0.0, 1.0, 10_000, MAX_CELLS // 10_000 + 1))
    with pytest.raises(UnderoakError) as caught:
        WholeFileSource(huge, get("wetness_index"))
    (fault,) = caught.value.faults
    assert fault.code == "E520"
    assert "MB" in fault.what
    assert "cut the file" in fault.fix
    assert huge.windows == []


def test_a_package_that_is_lacking_is_named_when_the_file_is_opened():
    lacking = replace(get("wetness_index"), package="no_such_package hydro")
    with pytest.raises(UnderoakError) as caught:
        WholeFileSource(Field(), lacking)
    (fault,) = caught.value.faults
    assert fault.code == "E521"
    assert fault.fix == 'pip install "underoak[hydro]"'
