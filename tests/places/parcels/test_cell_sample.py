"""The cells that stand for a parcel: all of them while they are few, and a fair draw when they are many."""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely import MultiPolygon, Point, box

from underoak.base.grid import Grid, Window
from underoak.engine.judge.reducer import JudgedBlock
from underoak.overlay import Rules, judge
from underoak.places.geometry.areas import areas_ha
from underoak.places.geometry.parcel_shapes import Parcels
from underoak.places.parcels.cell_sample import Sample, SampledCells, cells_each
from underoak.places.parcels.sums import ParcelSumsReducer

UTM = "EPSG:25831"
GRID = Grid.north_up(UTM, 4e5, 4.6e6, 10.0, 60, 70)
RULES = Rules((0.7, 0.3))


def judged_on(grid=GRID, seed=0):
    rng = np.random.default_rng(seed)
    values = rng.uniform(5.0, 9.0, (2, *grid.shape)).astype(np.float32)
    memberships = ((values - 5.0) / 4.0).astype(np.float32)
    ground = rng.choice(np.uint8([0, 1, 2]), grid.shape, p=[0.8, 0.15, 0.05])
    made = judge(memberships, ground, RULES)
    return JudgedBlock(
        grid.window, memberships, made.suitability, made.classes, made.weakest, made.gainful, None, tuple(values), {}
    )


def parcels_of(shapes):
    array = np.empty(len(shapes), object)
    array[:] = list(shapes)
    ids = tuple(f"F{i:02d}" for i in range(len(shapes)))
    return Parcels(ids, array, UTM, areas_ha(array, UTM), ("",) * len(shapes))


def some_shapes(seed=1, count=9):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(4e5 - 50, 4e5 + 750, count), rng.uniform(4.6e6 - 650, 4.6e6 + 50, count)
    shapes = [Point(a, b).buffer(r, quad_segs=5) for a, b, r in zip(x, y, rng.uniform(2, 220, count), strict=True)]
    shapes[3] = MultiPolygon([shapes[3], Point(x[3] + 400, y[3]).buffer(60.0)]).buffer(0)
    shapes[5] = box(5e5, 4.6e6, 5e5 + 10, 4.6e6 + 10)  # off the map
    return shapes


def drawn(judged, shapes, k, size=512, seed=0) -> SampledCells:
    sample = replace(Sample.of(parcels_of(shapes), GRID, k), seed=seed)
    return sample.finish([sample.reduce(judged.at(block)) for block in GRID.tiles(size)])


def same(one: SampledCells, other: SampledCells):
    for name in SampledCells.__slots__:
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))


def test_a_sample_of_all_cells_gives_the_sums_of_the_tally():
    judged, shapes = judged_on(), some_shapes()
    tally = ParcelSumsReducer.of(parcels_of(shapes), GRID, ("a", "b"), RULES)
    totals, cells = tally.finish([tally.reduce(judged)]), drawn(judged, shapes, 10_000)
    np.testing.assert_array_equal(cells.weight, cells.fraction)
    np.testing.assert_allclose(cells.sums(np.ones(len(cells))), totals.judged, rtol=1e-12)
    np.testing.assert_allclose(cells.sums(cells.suitability), totals.suitability, rtol=1e-12)
    np.testing.assert_allclose(cells.sums(cells.memberships[:, 1]), totals.membership[:, 1], rtol=1e-12)


def test_cells_carry_what_the_rasters_hold_there():
    judged = judged_on()
    cells = drawn(judged, some_shapes(), 50)
    rows, cols = np.divmod(cells.cell, GRID.cols)
    np.testing.assert_array_equal(cells.suitability, judged.suitability[rows, cols])
    np.testing.assert_array_equal(cells.values[:, 1], judged.values[1][rows, cols])
    np.testing.assert_array_equal(cells.memberships[:, 0], judged.memberships[0][rows, cols])
    squares = [box(*GRID.bounds_of(Window(int(r), int(c), 1, 1))) for r, c in zip(rows, cols, strict=True)]
    covered = shapely.area(shapely.intersection(squares, np.array(some_shapes(), object)[cells.owner])) / 100.0
    np.testing.assert_allclose(cells.fraction, covered, atol=1e-6)
    assert (judged.classes[rows, cols] <= 4).all()


@pytest.mark.parametrize("k", [5, 40, 5000])
@pytest.mark.parametrize("size", [7, 16, 40])
def test_blocks_of_any_size_draw_the_same_cells_bit_for_bit(k, size):
    judged, shapes = judged_on(), some_shapes()
    same(drawn(judged, shapes, k, size), drawn(judged, shapes, k))


def test_no_parcel_keeps_more_than_k_and_a_small_one_keeps_all():
    judged, shapes = judged_on(), some_shapes()
    everything, some = drawn(judged, shapes, 10_000), drawn(judged, shapes, 30)
    for parcel in range(len(shapes)):
        held, there = some.of(parcel), everything.of(parcel)
        assert held.stop - held.start == min(30, there.stop - there.start)
        if there.stop - there.start <= 30:
            np.testing.assert_array_equal(some.weight[held], everything.fraction[there])
        assert set(some.cell[held]) <= set(everything.cell[there])
        assert (np.diff(some.cell[held]) > 0).all()
    assert some.of(5) == slice(some.offsets[5], some.offsets[5])


def test_a_parcel_draws_the_same_cells_alone_and_among_others():
    judged, shapes = judged_on(), some_shapes()
    together = drawn(judged, shapes, 25)
    for parcel, shape in enumerate(shapes):
        alone, held = drawn(judged, [shape], 25), together.of(parcel)
        np.testing.assert_array_equal(alone.cell, together.cell[held])
        np.testing.assert_array_equal(alone.weight, together.weight[held])


def test_a_smaller_sample_is_part_of_a_larger_one():
    judged, shapes = judged_on(), some_shapes()
    few, many = drawn(judged, shapes, 10), drawn(judged, shapes, 20)
    for parcel in range(len(shapes)):
        assert set(few.cell[few.of(parcel)]) <= set(many.cell[many.of(parcel)])


def test_sums_are_right_on_average_over_seeds():
    judged, shapes = judged_on(), some_shapes()
    truth = drawn(judged, shapes, 10_000)
    figures = {"area": np.ones_like, "score": lambda s: s, "good": lambda s: s > 0.6}
    seeds, found = 400, {name: [] for name in figures}
    for seed in range(seeds):
        cells = drawn(judged, shapes, 12, seed=seed)
        for name, figure in figures.items():
            found[name].append(cells.sums(figure(cells.suitability)))
    off = 0
    for name, figure in figures.items():
        sums, true = np.array(found[name]), truth.sums(figure(truth.suitability))
        error = sums.std(axis=0, ddof=1) / np.sqrt(seeds)
        exact = np.diff(truth.offsets) <= 12
        np.testing.assert_allclose(sums[:, exact], np.broadcast_to(true[exact], sums[:, exact].shape), rtol=1e-12)
        far = np.abs(sums.mean(axis=0) - true)[~exact] / error[~exact]
        assert (far < 4.0).all()
        off += np.count_nonzero(far > 2.0)
    assert off <= 4  # of some twenty figures


@given(st.lists(st.floats(0.05, 1.0), min_size=3, max_size=12), st.integers(1, 4))
def test_the_weights_of_two_cells_and_more_are_expected_to_be_their_shares(shares, k):
    """The estimator by itself, on one row of cells with the shares given, over many seeds."""
    grid = Grid.north_up(UTM, 0.0, 10.0, 10.0, 1, len(shares))
    field = MultiPolygon([box(10 * i, 0, 10 * i + 10 * s, 10) for i, s in enumerate(shares)])
    ones = np.ones((1, len(shares)), np.float32)
    codes = np.ones((1, len(shares)), np.uint8)
    judged = JudgedBlock(grid.window, ones[None], ones, codes, codes, codes, None, (ones,), {})
    sample = Sample.of(parcels_of([field.buffer(0)]), grid, k)
    sums = []
    for seed in range(300):
        own = replace(sample, seed=seed)
        sums.append(own.finish([own.reduce(judged)]).sums(np.ones(min(k, len(shares))))[0])
    error = np.std(sums, ddof=1) / np.sqrt(300)
    assert abs(np.mean(sums) - sum(shares)) <= 5.0 * error + 1e-6


def test_missing_figures_count_for_nothing():
    cells = drawn(judged_on(), some_shapes(), 30)
    blank = np.where(np.arange(len(cells)) % 2 == 0, 2.0, np.nan)
    assert cells.means(blank)[0] == 2.0
    assert np.isnan(cells.means(np.full(len(cells), np.nan))).all()


def test_memory_is_bounded_by_the_number_of_parcels():
    assert cells_each(0) == cells_each(1) == 1024
    assert cells_each(50_000) == cells_each(2**18) == 16
    assert cells_each(1_000_000) == cells_each(10**7) == 4
    assert all(cells_each(n) * n <= 2**22 for n in (50_000, 300_000, 2**20))
    assert all(cells_each(n) * n <= 2**19 for n in (512, 1000, 5000, 32_768))


def test_many_blocks_do_not_pile_up(monkeypatch):
    import underoak.places.parcels.cell_sample as room

    judged, shapes = judged_on(), some_shapes()
    sample = Sample.of(parcels_of(shapes), GRID, 5)
    sizes = []
    best = Sample._best
    monkeypatch.setattr(room, "ALL_PARCELS", 10)
    monkeypatch.setattr(Sample, "_best", lambda self, parts: sizes.append(len(parts)) or best(self, parts))
    made = sample.finish(iter([sample.reduce(judged.at(block)) for block in GRID.tiles(7)]))
    assert len(sizes) > 2
    monkeypatch.undo()
    same(made, drawn(judged, shapes, 5))


def test_the_reducer_travels_to_workers_and_an_empty_map_gives_no_cells():
    sample = Sample.of(parcels_of(some_shapes()), GRID, 5)
    there = pickle.loads(pickle.dumps(sample))
    same(there.finish([there.reduce(judged_on())]), sample.finish([sample.reduce(judged_on())]))
    empty = sample.finish([])
    assert len(empty) == 0
    assert empty.offsets.tolist() == [0] * 10
    assert np.isnan(empty.means(empty.suitability)).all()
