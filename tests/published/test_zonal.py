"""Zonal figures of known polygons on a grid of 3 x 3 cells, values 1 2 3 / 4 5 6 / 7 8 9, worked by geometry.

Values are judged as tenths of a suitability, so that a mean of 5 shows as 0.5.
"""

from __future__ import annotations

import numpy as np
import pytest
from shapely import Polygon, box

from underoak.base.grid import Grid
from underoak.engine.judge.reducer import JudgedBlock
from underoak.layers.shapes.coverage import coverage, polygon_edges
from underoak.overlay import Curve, Rules, judge, membership
from underoak.places.geometry.areas import areas_ha
from underoak.places.geometry.parcel_shapes import Parcels
from underoak.places.parcels.sums import ParcelSumsReducer

GRID = Grid.north_up("EPSG:3035", 0.0, 30.0, 10.0, 3, 3)
VALUES = np.arange(1, 10, dtype=np.float32).reshape(3, 3)
SQUARE, SMALL = box(5, 5, 25, 25), box(12, 12, 14, 16)
TRIANGLE = Polygon([(0, 0), (30, 0), (0, 30)])


def fractions(shape):
    return coverage(polygon_edges([shape], GRID), GRID.window)


def row_of(shape, values=VALUES, cuts=(0.75, 0.5, 0.25)):
    rules = Rules((1.0,), cuts=cuts)
    made = judge(values[None] / np.float32(10), np.zeros((3, 3), np.uint8), rules)
    judged = JudgedBlock(GRID.window, values[None] / 10, made.suitability, made.classes, made.weakest, made.gainful)
    shapes = np.array([shape], object)
    parcels = Parcels(("p",), shapes, GRID.crs, areas_ha(shapes, GRID.crs), ("",))
    tally = ParcelSumsReducer.of(parcels, GRID, ("value",), rules)
    (row,) = tally.table(tally.finish([tally.reduce(judged)])).to_dict("records")
    return row


def test_square_over_nine_cells():  # G01
    assert fractions(SQUARE).tolist() == [[0.25, 0.5, 0.25], [0.5, 1.0, 0.5], [0.25, 0.5, 0.25]]
    row = row_of(SQUARE)
    assert row["cells"] == 4.0
    assert row["suitability"] == pytest.approx(0.5, abs=1e-7)
    assert row["suitability"] * row["cells"] == pytest.approx(2.0, abs=1e-6)


def test_parcel_within_one_cell():  # G03: never no cell
    np.testing.assert_allclose(fractions(SMALL), [[0, 0, 0], [0, 0.08, 0], [0, 0, 0]], atol=1e-9)
    row = row_of(SMALL)
    assert row["cells"] == pytest.approx(0.08, abs=1e-9)
    assert row["suitability"] == pytest.approx(0.5, abs=1e-7)
    assert GRID.subgrid(GRID.window).cell_m ** 2 * row["cells"] / 1e4 == pytest.approx(0.0008, abs=1e-9)


def test_parcel_astride_four_corners():  # G04
    shape = box(8, 8, 12, 12)
    np.testing.assert_allclose(fractions(shape), [[0, 0, 0], [0.04, 0.04, 0], [0.04, 0.04, 0]], atol=1e-9)
    assert row_of(shape)["suitability"] == pytest.approx(0.6, abs=1e-7)


def test_triangle():  # G05
    assert fractions(TRIANGLE).tolist() == [[0.5, 0, 0], [1, 0.5, 0], [1, 1, 0.5]]
    row = row_of(TRIANGLE)
    assert row["cells"] == 4.5
    assert row["suitability"] == pytest.approx(0.5888889, abs=1e-7)
    assert row["suitability"] * row["cells"] == pytest.approx(2.65, abs=1e-6)


def test_diamond():  # G06
    shape = Polygon([(15, 5), (25, 15), (15, 25), (5, 15)])
    assert fractions(shape).tolist() == [[0, 0.25, 0], [0.25, 1, 0.25], [0, 0.25, 0]]
    row = row_of(shape)
    assert row["cells"] == 2.0
    assert row["suitability"] == pytest.approx(0.5, abs=1e-7)


def test_polygon_with_a_hole():  # G07
    shape = box(0, 0, 30, 30).difference(box(10, 10, 20, 20))
    assert fractions(shape).tolist() == [[1, 1, 1], [1, 0, 1], [1, 1, 1]]
    row = row_of(shape)
    assert row["cells"] == 8.0
    assert row["suitability"] == pytest.approx(0.5, abs=1e-7)


def test_parcel_mostly_outside_is_reported_not_ranked():  # G08: an eighth of it is covered
    row = row_of(box(25, 25, 45, 35))
    assert row["cells"] == 0.25
    assert row["valid_share"] == pytest.approx(0.125, abs=1e-9)
    assert row["reason"].cause == "outside the map"
    assert np.isnan(row["suitability"])


def test_missing_cell_under_the_parcel():  # G09
    values = VALUES.copy()
    values[1, 1] = np.nan
    row = row_of(SQUARE, values)
    assert row["valid_share"] == 0.75
    assert row["suitability"] == pytest.approx(0.5, abs=1e-7)


def test_nothing_known_under_the_parcel():  # G10: missing, not 0
    values = VALUES.copy()
    values[1, 1] = np.nan
    row = row_of(SMALL, values)
    assert np.isnan(row["suitability"])
    assert row["reason"].cause == "no data"
    assert row["valid_share"] == 0.0


def test_share_above_a_threshold():  # G11: 2.5 of 4.5 cells have 7 or more
    assert row_of(TRIANGLE, cuts=(0.7, 0.5, 0.25))["share_s1"] == pytest.approx(2.5 / 4.5, abs=1e-9)


def test_two_polygons_that_tile_a_third():  # G12
    left, right, both = box(3, 4, 14, 27), box(14, 4, 28, 27), box(3, 4, 28, 27)
    whole = fractions(both)
    np.testing.assert_allclose(fractions(left) + fractions(right), whole, atol=1e-12)
    total = sum(row_of(part)["suitability"] * row_of(part)["cells"] for part in (left, right))
    assert total == pytest.approx(row_of(both)["suitability"] * row_of(both)["cells"], rel=1e-6)


def test_mean_of_a_curve_is_not_the_curve_of_a_mean():  # G13: score first, then average
    curve = Curve.hump(7.0, 7.5, 8.3, 8.7)
    scores = membership(np.float32([[6.0, 9.0]]), curve)
    assert scores.mean() == 0.0
    assert membership(np.float32([[7.5]]), curve)[0, 0] == 1.0
    tenths = np.where(np.arange(3) % 2, 6.0, 9.0).astype(np.float32)[None].repeat(3, axis=0)
    row = row_of(box(0, 0, 20, 30), 10 * membership(tenths, curve))
    assert row["suitability"] == 0.0
