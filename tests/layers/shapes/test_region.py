"""The analysis grid of a plan."""

import re
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.crs import transformer
from underoak.base.errors import Problems
from underoak.base.grid import Window
from underoak.indicators.year import season_months
from underoak.layers.shapes.coverage import covers_centre
from underoak.layers.shapes.region import read_region

from noise import write_shapes


def region(problems=None, max_cells=1e9, base=Path(), **spec):
    plain = {"area": None, "features": None, "bounds": None, "crs": "EPSG:25831", "cell_m": 30.0, "snap": (0.0, 0.0)}
    return read_region(SimpleNamespace(**plain | spec), base, max_cells, problems or Problems())


def test_cell_corners_lie_on_the_snap():
    grid = region(bounds=(100.0, 200.0, 1000.0, 1100.0), snap=(10.0, 20.0)).grid
    assert grid.transform == (30.0, 0.0, 100.0, 0.0, -30.0, 1100.0)
    assert grid.shape == (30, 30)


@given(
    left=st.floats(-1e5, 1e5), bottom=st.floats(-1e5, 1e5), width=st.floats(0.1, 5e4), height=st.floats(0.1, 5e4),
    cell=st.sampled_from([10.0, 30.0, 250.0]), snap=st.floats(-500, 500),
)  # fmt: skip
def test_the_grid_is_the_smallest_on_its_lines_that_holds_the_area(left, bottom, width, height, cell, snap):
    left, bottom = left + 5e5, bottom + 4.5e6
    grid = region(bounds=(left, bottom, left + width, bottom + height), cell_m=cell, snap=(snap, snap)).grid
    west, south, east, north = grid.bounds
    slack = cell * 1e-5
    assert west <= left + slack
    assert south <= bottom + slack
    assert east >= left + width - slack
    assert north >= bottom + height - slack
    assert west > left - cell
    assert east < left + width + cell
    assert ((west - snap) / cell) == pytest.approx(round((west - snap) / cell), abs=1e-6)


def test_ground_outside_the_outline_is_not_judged(tmp_path):
    hole = shapely.box(421_000, 4_591_000, 422_000, 4_592_000)
    shape = shapely.box(420_000, 4_590_000, 423_000, 4_593_000).difference(hole)
    write_shapes(tmp_path / "area.gpkg", [shape], "EPSG:25831")
    made = region(area="area.gpkg", base=tmp_path)
    inside = covers_centre(made.outline, Window(0, 0, *made.grid.shape))
    assert inside.sum() * 900 == pytest.approx(shape.area, rel=0.02)
    assert not inside.all()


def test_an_area_in_another_crs_is_moved_to_the_grids(tmp_path):
    write_shapes(tmp_path / "area.gpkg", [shapely.box(2.0, 41.5, 2.1, 41.6)], "EPSG:4326")
    grid = region(area="area.gpkg", base=tmp_path).grid
    assert grid.bounds[0] == pytest.approx(416_500, abs=1500)
    assert grid.rows * 30 == pytest.approx(11_100, rel=0.02)


def test_feet_are_metres_in_the_end():
    grid = region(bounds=(2e6, 1e6, 2.01e6, 1.01e6), crs="EPSG:2227", cell_m=30.0).grid  # US survey feet
    assert grid.cell_m == pytest.approx(30.0)
    assert grid.cell_size[0] == pytest.approx(98.425, abs=1e-2)


@pytest.mark.parametrize(
    ("spec", "code"),
    [
        ({"crs": "EPSG:4326", "bounds": (2.0, 41.0, 3.0, 42.0)}, "E205"),
        ({"bounds": (0.0, 0.0, 1e6, 1e6), "cell_m": 1.0}, "E510"),
        ({"area": "not_there.gpkg"}, "E246"),
    ],
)
def test_a_region_that_cannot_be_is_told(spec, code):
    problems = Problems()
    assert region(problems, max_cells=1e6, **spec) is None
    assert [fault.code for fault in problems.faults] == [code]


def test_a_grid_that_lies_about_areas_is_told():
    problems = Problems()
    assert region(problems, crs="EPSG:3857", bounds=(0.0, 6.4e6, 3000.0, 6.403e6)) is not None
    (warning,) = problems.warnings
    assert warning.code == "W209"
    assert "smaller on the ground" in warning.what


def test_summer_is_half_a_year_later_south_of_the_equator():
    north = region(bounds=(420_000, 4_590_000, 423_000, 4_593_000))
    south = region(bounds=(300_000, 5_200_000, 303_000, 5_203_000), crs="EPSG:32759")
    assert (north.is_south, south.is_south) == (False, True)
    assert season_months("summer", south.is_south) == (12, 1, 2)
    for season in ("winter", "spring", "summer", "autumn"):
        turned = {(month + 5) % 12 + 1 for month in season_months(season, False)}
        assert turned == set(season_months(season, True))
    assert np.all(np.sort(season_months("year", True)) == np.arange(1, 13))


def test_bounds_in_degrees_are_told_with_those_to_write():
    problems = Problems()
    assert region(problems, bounds=(2.0, 41.5, 2.1, 41.6)) is None
    (fault,) = problems.faults
    assert (fault.code, fault.where) == ("E206", "region.bounds")
    proposed = [float(number) for number in re.findall(r"\d+", fault.fix)]
    longitude, latitude = transformer("EPSG:25831", "EPSG:4326").transform(proposed[0::2], proposed[1::2])
    assert longitude == pytest.approx([2.0, 2.1], abs=0.003)
    assert latitude == pytest.approx([41.5, 41.6], abs=0.003)


def test_small_numbers_far_from_the_area_of_the_crs_are_no_degrees():
    problems = Problems()
    assert region(problems, bounds=(-150.0, -60.0, -30.0, 0.0)) is not None
    assert not problems.faults
