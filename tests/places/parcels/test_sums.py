"""Sums over parcels: against a cell-by-cell count, and unmoved by what must not matter."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely
from shapely import MultiPolygon, Point, box

from underoak.base.grid import Grid, Window
from underoak.engine.judge.reducer import JudgedBlock
from underoak.layers.shapes.coverage import polygon_edges
from underoak.overlay import Curve, Rules, judge, membership
from underoak.places.answers.not_judged import Cause, NotJudged
from underoak.places.geometry.areas import areas_ha
from underoak.places.geometry.parcel_shapes import Parcels
from underoak.places.parcels.ranking import overlap_warning
from underoak.places.parcels.sums import ParcelSumsReducer

UTM = "EPSG:25831"
GRID = Grid.north_up(UTM, 4e5, 4.6e6, 10.0, 40, 50)
RULES = Rules((0.5, 0.3, 0.2))
CRITERIA = ("ph", "water", "slope")


def parcels_of(shapes, ids=None, crs=UTM, notes=None):
    array = np.empty(len(shapes), object)
    array[:] = list(shapes)
    ids = tuple(ids or (f"F{i:02d}" for i in range(len(shapes))))
    return Parcels(ids, array, crs, areas_ha(array, crs), tuple(notes or [""] * len(shapes)))


def judged_on(grid, seed=0, rules=RULES):
    rng = np.random.default_rng(seed)
    k = len(rules.weights)
    memberships = rng.random((k, *grid.shape), dtype=np.float32)
    memberships[:, rng.random(grid.shape) < 0.1] = np.nan
    ground = rng.choice(np.uint8([0, 1, 2]), grid.shape, p=[0.8, 0.15, 0.05])
    made = judge(memberships, ground, rules)
    return JudgedBlock(grid.window, memberships, made.suitability, made.classes, made.weakest, made.gainful, None)


def some_shapes(seed=1, count=12):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(4e5 - 50, 4e5 + 550, count), rng.uniform(4.6e6 - 450, 4.6e6 + 50, count)
    shapes = [Point(a, b).buffer(r, quad_segs=5) for a, b, r in zip(x, y, rng.uniform(2, 120, count), strict=True)]
    shapes[3] = shapes[3].difference(Point(x[3], y[3]).buffer(1.0))
    shapes[4] = MultiPolygon([shapes[4], Point(x[4] + 300, y[4]).buffer(20.0)])
    return shapes


def table_of(judged, shapes, grid=GRID, size=512, rules=RULES, **more):
    tally = ParcelSumsReducer.of(parcels_of(shapes, **more), grid, CRITERIA[: len(rules.weights)], rules)
    return tally.table(tally.finish([tally.reduce(judged.at(block)) for block in grid.tiles(size)]))


def test_every_figure_is_that_of_a_cell_by_cell_count():
    judged, shapes = judged_on(GRID), some_shapes()
    found = table_of(judged, shapes).set_index("id")
    cells = [[box(*GRID.bounds_of(Window(r, c, 1, 1))) for c in range(GRID.cols)] for r in range(GRID.rows)]
    for i, shape in enumerate(shapes):
        share = shapely.area(shapely.intersection(cells, shape)) / 100.0
        area = shape.area / 100.0
        known, excluded = judged.classes <= 4, judged.classes == 250
        row = found.loc[f"F{i:02d}"]
        free = area - share[excluded].sum()
        assert row["cells"] == pytest.approx(share.sum(), abs=1e-6)
        assert row["excluded_share"] == pytest.approx(share[excluded].sum() / area, abs=1e-6)
        assert row["valid_share"] == pytest.approx(share[known].sum() / free, abs=1e-6)
        assert pd.isna(row["reason"]) == (share[known].sum() / free >= 0.5)
        if not pd.isna(row["reason"]):
            assert pd.isna(row["suitability"])
            continue
        weight = share[known] / share[known].sum()
        assert row["suitability"] == pytest.approx((weight * judged.suitability[known]).sum(), abs=1e-6)
        for code, name in enumerate(("share_s1", "share_s2", "share_s3", "share_n"), start=1):
            assert row[name] == pytest.approx(weight[judged.classes[known] == code].sum(), abs=1e-6)
        for k, name in enumerate(CRITERIA):
            assert row[f"membership_{name}"] == pytest.approx((weight * judged.memberships[k][known]).sum(), abs=1e-6)
        for codes, name in ((judged.weakest, "limiting"), (judged.gainful, "most_gainful")):
            counts = [weight[codes[known] == k].sum() for k in range(3)]
            assert row[name] == (CRITERIA[int(np.argmax(counts))],)
            assert row[f"{name}_share"] == pytest.approx(max(counts), abs=1e-6)
    assert found["reason"].isna().sum() >= 8
    assert found["reason"].notna().any()


CURVES = (Curve.hump(7.0, 7.5, 8.3, 8.8), Curve.ramp_up(50.0, 150.0), Curve.table({1: 1.0, 2: 0.25}))


def valued_on(grid, seed=0):
    """Judged ground with its raw values: pH, mm and codes."""
    rng = np.random.default_rng(seed)
    values = np.stack([rng.uniform(6.5, 9.2, grid.shape), rng.uniform(20, 260, grid.shape),
                       rng.choice([1.0, 2.0, 3.0], grid.shape, p=[0.5, 0.4, 0.1])]).astype(np.float32)  # fmt: skip
    values[:, rng.random(grid.shape) < 0.05] = np.nan
    memberships = np.stack([membership(v, curve) for v, curve in zip(values, CURVES, strict=True)])
    built, steep = rng.random(grid.shape) < 0.1, rng.random(grid.shape) < 0.2
    made = judge(memberships, (built | steep).astype(np.uint8), RULES)
    return JudgedBlock(
        grid.window, memberships, made.suitability, made.classes, made.weakest, made.gainful, None,
        tuple(values), {"steep": steep, "built": built},
    )  # fmt: skip


def valued_table(judged, shapes, size=512):
    tally = ParcelSumsReducer.of(
        parcels_of(shapes), GRID, CRITERIA, RULES, curves=CURVES, constraints=("built", "steep")
    )
    assert tally.needs_values
    return tally.table(tally.finish([tally.reduce(judged.at(block)) for block in GRID.tiles(size)]))


def test_values_sides_and_constraints_are_those_of_a_cell_by_cell_count():
    judged, shapes = valued_on(GRID), some_shapes()
    found = valued_table(judged, shapes).set_index("id")
    cells = [[box(*GRID.bounds_of(Window(r, c, 1, 1))) for c in range(GRID.cols)] for r in range(GRID.rows)]
    sides = set()
    for i, shape in enumerate(shapes):
        share = shapely.area(shapely.intersection(cells, shape)) / 100.0
        row, known = found.loc[f"F{i:02d}"], judged.classes <= 4
        held = {name: share[(judged.classes == 250) & holds].sum() for name, holds in judged.exclusions.items()}
        assert row["excluded_by"] == (max(held, key=held.get),)
        if not pd.isna(row["reason"]):
            assert pd.isna(row["value_ph"])
            assert pd.isna(row["side_ph"])
            continue
        weight = share[known] / share[known].sum()
        for k, name in enumerate(CRITERIA[:2]):
            assert row[f"value_{name}"] == pytest.approx((weight * judged.values[k][known]).sum(), rel=1e-6)
            lost = weight * (1.0 - judged.memberships[k][known])
            low, high = CURVES[k].full
            below = lost[judged.values[k][known] < low].sum()
            above = lost[judged.values[k][known] > high].sum()
            assert row[f"side_{name}"] == ("low" if below > above else "high")
            sides.add((name, row[f"side_{name}"]))
    assert {"value_slope", "side_slope"}.isdisjoint(found.columns)  # codes have no mean and no side
    assert ("water", "low") in sides
    assert ("water", "high") not in sides
    assert {("ph", "low"), ("ph", "high")} <= sides


@pytest.mark.parametrize("size", [7, 16])
def test_blocks_of_any_size_give_the_same_values_and_sides(size):
    judged, shapes = valued_on(GRID), some_shapes()
    pd.testing.assert_frame_equal(valued_table(judged, shapes, size), valued_table(judged, shapes), rtol=1e-12)


def test_ground_that_was_never_judged_needs_no_values():
    judged = valued_on(GRID)
    blank = np.full(GRID.shape, 255, np.uint8)
    bare = JudgedBlock(judged.window, judged.memberships, judged.suitability, blank, blank, blank)
    assert (
        valued_table(bare, some_shapes())["reason"]
        .map(lambda reason: reason.cause)
        .isin([Cause.NO_DATA, Cause.OFF_MAP])
        .all()
    )


def test_parcels_in_another_order_give_the_same_rows_bit_for_bit():
    judged, shapes = judged_on(GRID), some_shapes()
    ids = [f"F{i:02d}" for i in range(len(shapes))]
    turned = table_of(judged, shapes[::-1], ids=ids[::-1])
    pd.testing.assert_frame_equal(turned, table_of(judged, shapes), check_exact=True)


def test_a_parcel_alone_has_the_figures_it_has_among_others():
    judged, shapes = judged_on(GRID), some_shapes()
    together = table_of(judged, shapes).set_index("id").drop(columns=["rank", "overlap_share"])
    for i, shape in enumerate(shapes):
        alone = table_of(judged, [shape], ids=[f"F{i:02d}"]).set_index("id").drop(columns=["rank", "overlap_share"])
        pd.testing.assert_frame_equal(alone, together.loc[[f"F{i:02d}"]], check_exact=True)


@pytest.mark.parametrize("size", [7, 16, 40])
def test_blocks_of_any_size_give_the_same_figures(size):
    judged, shapes = judged_on(GRID), some_shapes()
    whole, parts = table_of(judged, shapes), table_of(judged, shapes, size=size)
    pd.testing.assert_frame_equal(parts, whole, rtol=1e-12)


def test_a_part_does_not_depend_on_the_tile_it_was_cut_from():
    judged = judged_on(GRID)
    tally = ParcelSumsReducer.of(parcels_of(some_shapes()), GRID, CRITERIA, RULES)
    block = Window(16, 16, 16, 16)
    whole = tally.reduce(judged.at(block))
    tile = judged.at(Window(8, 8, 32, 42)).at(block)
    for name, array in tally.reduce(tile).items():
        np.testing.assert_array_equal(array, whole[name])


def test_rows_that_run_north_give_the_same_table():
    judged, shapes = judged_on(GRID), some_shapes()
    up = Grid(UTM, (10.0, 0.0, 4e5, 0.0, 10.0, 4.6e6 - 400.0), 40, 50)
    flipped = JudgedBlock(
        up.window,
        np.ascontiguousarray(judged.memberships[:, ::-1]),
        judged.suitability[::-1],
        judged.classes[::-1],
        judged.weakest[::-1],
        judged.gainful[::-1],
    )
    pd.testing.assert_frame_equal(table_of(flipped, shapes, up), table_of(judged, shapes), rtol=1e-6)


def test_two_halves_add_up_to_the_whole():
    judged = judged_on(GRID)
    whole = box(4e5 + 33, 4.6e6 - 333, 4e5 + 377, 4.6e6 - 41)
    left, right = box(4e5 + 33, 4.6e6 - 333, 4e5 + 205, 4.6e6 - 41), box(4e5 + 205, 4.6e6 - 333, 4e5 + 377, 4.6e6 - 41)
    tally = ParcelSumsReducer.of(parcels_of([whole, left, right]), GRID, CRITERIA, RULES)
    totals = tally.finish([tally.reduce(judged)])
    for figures in (totals.area, totals.covered, totals.judged, totals.excluded, totals.suitability):
        assert figures[1] + figures[2] == pytest.approx(figures[0], rel=1e-9)
    for table in (totals.classes, totals.membership, totals.weakest, totals.gainful):
        np.testing.assert_allclose(table[1] + table[2], table[0], rtol=1e-9)


def test_ground_in_two_parcels_is_told_and_judged_in_both():
    judged = judged_on(GRID)
    one, other = box(4e5, 4.6e6 - 200, 4e5 + 200, 4.6e6), box(4e5 + 100, 4.6e6 - 200, 4e5 + 300, 4.6e6)
    away = box(4e5 + 300, 4.6e6 - 200, 4e5 + 400, 4.6e6)
    found = table_of(judged, [one, other, away]).set_index("id")
    assert found.loc[["F00", "F01", "F02"], "overlap_share"].tolist() == [0.5, 0.5, 0.0]
    assert found.loc[["F00", "F01"], "cells"].tolist() == [400.0, 400.0]
    warning = overlap_warning(found.reset_index())
    assert warning.code == "W430"
    assert warning.what.startswith("2 parcels overlap others, 4.0 ha of them at least (F00, F01):")
    alone = overlap_warning(found.loc[["F00"]].assign(area_ha=0.004).reset_index())
    assert alone.what.startswith("1 parcel overlaps another, 20 m2 of it at least (F00):")
    assert overlap_warning(found.loc[["F02"]].reset_index()) is None


def test_no_more_of_a_parcel_overlaps_than_lies_there():
    twice = box(4e5, 4.6e6 - 20, 4e5 + 20, 4.6e6)
    strip = box(4e5 + 5, 4.6e6 - 20, 4e5 + 10, 4.6e6), box(4e5 + 30, 4.6e6 - 10, 4e5 + 40, 4.6e6)
    found = table_of(judged_on(GRID), [twice, twice, MultiPolygon(strip)]).set_index("id")
    assert found.loc["F02", "overlap_share"] == 0.5


def test_ground_outside_the_regions_outline_is_off_the_map():
    judged = judged_on(GRID)
    classes = judged.classes.copy()
    classes[:, 25:] = 255
    classes[:, :25] = np.where(classes[:, :25] > 4, 4, classes[:, :25])
    judged = JudgedBlock(judged.window, judged.memberships, judged.suitability, classes, judged.weakest, judged.gainful)
    region = polygon_edges([box(4e5, 4.6e6 - 400, 4e5 + 250, 4.6e6)], GRID)
    field = parcels_of([box(4e5 + 260, 4.6e6 - 90, 4e5 + 340, 4.6e6 - 10)])
    reasons = []
    for outline in (None, region):
        tally = ParcelSumsReducer.of(field, GRID, CRITERIA, RULES, outline)
        reasons += tally.table(tally.finish([tally.reduce(judged)]))["reason"].tolist()
    assert reasons == [NotJudged(Cause.NO_DATA), NotJudged(Cause.OFF_MAP)]


def test_the_layers_without_data_are_named():
    judged = judged_on(GRID)
    memberships, classes = judged.memberships.copy(), judged.classes.copy()
    blank = int(np.random.default_rng(5).integers(len(CRITERIA)))
    memberships[blank, :, :] = np.nan
    memberships[(blank + 1) % len(CRITERIA), 0, 0] = np.nan  # one cell is not worth a name
    classes[:] = 255
    judged = JudgedBlock(judged.window, memberships, judged.suitability, classes, judged.weakest, judged.gainful)
    field = parcels_of([box(4e5, 4.6e6 - 90, 4e5 + 90, 4.6e6)])
    layers = [f"layer_{name}" for name in CRITERIA]
    tally = ParcelSumsReducer.of(field, GRID, CRITERIA, RULES, layers=layers)
    (reason,) = tally.table(tally.finish([tally.reduce(judged)]))["reason"]
    assert reason == NotJudged(Cause.NO_DATA, layers=(layers[blank],))


def test_a_block_without_parcels_keeps_nothing():
    tally = ParcelSumsReducer.of(parcels_of([box(4e5, 4.6e6 - 20, 4e5 + 20, 4.6e6)]), GRID, CRITERIA, RULES)
    assert tally.reduce(judged_on(GRID).at(Window(10, 10, 5, 5))) == {}


def test_no_block_at_all_leaves_every_parcel_unjudged():
    tally = ParcelSumsReducer.of(parcels_of([box(4e5, 4.6e6 - 20, 4e5 + 20, 4.6e6)]), GRID, CRITERIA, RULES)
    assert tally.table(tally.finish([]))["reason"].tolist() == [NotJudged(Cause.OFF_MAP)]


def test_a_tally_travels_to_workers():
    import pickle

    judged = judged_on(GRID)
    tally = ParcelSumsReducer.of(parcels_of(some_shapes()), GRID, CRITERIA, RULES)
    there = pickle.loads(pickle.dumps(tally))
    here, away = tally.finish([tally.reduce(judged)]), there.finish([there.reduce(judged)])
    pd.testing.assert_frame_equal(there.table(away), tally.table(here))
