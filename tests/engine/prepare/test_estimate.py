"""What a run will need: estimates that follow the work, and limits that are kept without changing a byte."""

import hashlib
import json
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

import underoak as uo
from underoak.base.errors import UnderoakError
from underoak.engine.judge.warm_up import is_compiled
from underoak.engine.prepare import estimate as module
from underoak.engine.prepare.estimate import COSTS, MARGIN, Allowance, Workload, estimate, fit_memory, memory_bytes
from underoak.engine.prepare.timing_trial import Trial, slowness, trial
from underoak.engine.progress import Progress
from underoak.runs import run as runs
from underoak.runs.prepared_run import prepare_run

from noise import LEFT, TOP

SMALL = Workload(
    cells=2048 * 2048, shape=(2048, 2048), layers=7, criteria=6, most_criteria=6, raw=13.0,
    sources=(0.02, 1.6), input_bytes=20_000_000,
)  # fmt: skip
LARGE = replace(SMALL, cells=20480 * 20480, shape=(20480, 20480))
TRIED = Trial(inside=1.0, seconds=3e-7, bytes_full=2.8, bytes_half=0.9)
LIMITS = st.integers(min_value=100_000_000, max_value=30_000_000_000)


def sums(folder):
    files = (path for path in folder.iterdir() if path.suffix in (".tif", ".csv", ".gpkg", ".png"))
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def made_ready(country, **changes):
    plan, folder = country
    loaded = uo.load_plan({**plan, **changes}, base=folder)
    ready = prepare_run(loaded, Progress("none"))
    return ready.job, ready.workload


@given(LIMITS, st.integers(1, 64), st.integers(1, 8).map(lambda n: n * 1024), st.sampled_from([SMALL, LARGE]))
def test_a_limit_is_kept_with_no_more_workers_and_no_larger_tiles_than_given(limit, workers, tile, extent):
    if MARGIN * memory_bytes(extent, 1, 1024) > limit:
        with pytest.raises(UnderoakError) as caught:
            fit_memory(Allowance(limit), extent, workers, tile)
        assert caught.value.faults[0].code == "E503"
        assert caught.value.exit_code == 7
        return
    count, side = fit_memory(Allowance(limit), extent, workers, tile)
    assert MARGIN * memory_bytes(extent, count, side) <= limit
    assert 1 <= count <= workers
    assert 1024 <= side <= tile
    assert side % 1024 == 0


def test_room_enough_changes_nothing():
    assert fit_memory(Allowance(10**12), LARGE, 16, 4096) == (16, 4096)


def test_smaller_tiles_come_before_fewer_workers():
    limit = math.ceil(MARGIN * memory_bytes(LARGE, 16, 1024))
    assert fit_memory(Allowance(limit), LARGE, 16, 8192) == (16, 1024)
    assert fit_memory(Allowance(limit - 1), LARGE, 16, 8192)[0] == 15


@given(LIMITS, LIMITS)
def test_more_memory_never_gives_fewer_workers(a, b):
    counts = []
    for limit in sorted((a, b)):
        try:
            counts.append(fit_memory(Allowance(limit), LARGE, 32, 1024)[0])
        except UnderoakError:
            counts.append(0)
    assert counts[0] <= counts[1]


def test_memory_is_flat_in_the_size_of_the_region():
    eight = replace(LARGE, cells=8192 * 8192, shape=(8192, 8192))
    assert memory_bytes(LARGE, 2, 1024) < 1.15 * memory_bytes(eight, 2, 1024)


@pytest.mark.parametrize(
    "more",
    [{"parcels": 50_000}, {"has_zones": True}, {"cases": 3}, {"layers": 20}, {"raw": 30.0}, {"input_bytes": 10**10}],
)
def test_more_work_needs_more(more, monkeypatch):
    monkeypatch.setattr(module, "slowness", lambda: 1.0)
    for tried in (None, TRIED):
        plain, larger = estimate(SMALL, 2, trial=tried), estimate(replace(SMALL, **more), 2, trial=tried)
        assert (larger.disk_mb, larger.memory_mb, larger.seconds) >= (plain.disk_mb, plain.memory_mb, plain.seconds)
        assert larger.seconds > plain.seconds


def test_a_slower_machine_takes_longer_and_no_more_room(monkeypatch):
    found = []
    for factor in (1.0, 3.0):
        monkeypatch.setattr(module, "slowness", lambda factor=factor: factor)
        found.append(estimate(SMALL, 2, trial=TRIED))
    assert found[1].seconds > found[0].seconds
    assert (found[1].disk_mb, found[1].memory_mb) == (found[0].disk_mb, found[0].memory_mb)


def test_tiles_kept_beside_the_files_count_while_it_runs():
    found = estimate(SMALL, 2, trial=TRIED)
    assert found.kept_mb < found.disk_mb < 2 * found.kept_mb
    assert found.is_tried
    assert not estimate(SMALL, 2).is_tried


def test_the_speed_of_this_machine_is_a_plain_number():
    assert 0.01 < slowness() < 1000


def test_a_trial_is_the_same_every_time_and_leaves_nothing_behind(country):
    work, _ = made_ready(country)
    before = sorted(path.name for path in country[1].iterdir())
    one, other = trial(work), trial(work)
    assert (one.inside, one.bytes_full, one.bytes_half) == (other.inside, other.bytes_full, other.bytes_half)
    assert one.seconds > 0
    assert is_compiled()
    assert sorted(path.name for path in country[1].iterdir()) == before


def test_a_trial_tells_what_share_of_the_grid_is_region(country):
    work, _ = made_ready(country)  # a circle in its box
    assert trial(work).inside == pytest.approx(3.14159 / 4, abs=0.08)
    box = {"bounds": [LEFT, TOP - 39000, LEFT + 45000, TOP], "crs": "EPSG:25831", "cell": "30 m"}
    assert trial(made_ready(country, region=box)[0]).inside == 1.0


@pytest.fixture(scope="module")
def free(country, tmp_path_factory):
    """A run that nothing limits."""
    plan, folder = country
    return uo.run(uo.load_plan(plan, base=folder), out=tmp_path_factory.mktemp("free"), workers=4, tile=2048)


def test_the_room_foretold_is_the_room_taken(country, free):
    work, extent = made_ready(country)
    foretold = estimate(extent, 2, trial=trial(work))
    rasters = sum(path.stat().st_size for path in free.folder.glob("*.tif")) / 1e6
    assert foretold.disk_mb - foretold.kept_mb == pytest.approx(rasters, rel=0.35)


def test_a_limit_on_memory_changes_no_byte(country, free, tmp_path, monkeypatch):
    monkeypatch.setattr(module, "COSTS", replace(COSTS, picture=0.0, reader=0.0))  # tiles alone count
    plan, folder = country
    extent = made_ready(country)[1]
    limit = math.ceil(MARGIN * memory_bytes(extent, 1, 1024))
    count, side = fit_memory(Allowance(limit), extent, 4, 2048)
    assert (count, side) != (4, 2048)
    tight = uo.run(uo.load_plan(plan, base=folder), out=tmp_path, workers=4, tile=2048, memory=limit)
    when = json.loads((tmp_path / "run.json").read_text(encoding="utf-8"))["when"]
    assert (when["workers"], when["tile"]) == (count, side)
    assert sums(tight.folder) == sums(free.folder)


def test_a_run_that_cannot_fit_is_refused_before_anything_is_written(country, tmp_path):
    plan, folder = country
    with pytest.raises(UnderoakError) as caught:
        uo.run(uo.load_plan(plan, base=folder), out=tmp_path / "out", memory=50_000_000)
    assert caught.value.faults[0].code == "E503"
    assert not (tmp_path / "out").exists()


def test_futures_cost_time_and_room_for_what_they_have_in_common(country):
    apart, some = replace(SMALL, cases=4), replace(SMALL, cases=4, shares=1, scenarios=3)
    more = estimate(some, 1).seconds - estimate(apart, 1).seconds
    assert more == pytest.approx(SMALL.cells * (1 + 3) * COSTS.scenario_cell)
    assert estimate(some, 1).kept_mb - estimate(apart, 1).kept_mb == pytest.approx(
        SMALL.cells * COSTS.scenario_bytes / 1e6
    )
    futures = [{"name": name, "replace": {"soil_ph": "ph.tif"}} for name in ("one", "two")]
    _, extent = made_ready(country, scenarios=futures)
    assert (extent.shares, extent.scenarios, extent.cases) == (1, 2, 3)


def test_draws_of_parcels_cost_memory_room_and_time(country):
    plain = replace(SMALL, parcels=10_000)
    drawn, more = (replace(plain, draws=6 * n, drawn_cases=1) for n in (64, 256))
    assert memory_bytes(more, 2, 1024) - memory_bytes(drawn, 2, 1024) == 10_000 * 6 * 192 * COSTS.parcel_draw_memory
    one, other = (estimate(each, 1, trial=TRIED) for each in (drawn, more))
    assert other.disk_mb - one.disk_mb == pytest.approx(10_000 * 6 * 192 * COSTS.parcel_draws / 1e6)
    assert other.kept_mb == one.kept_mb  # files tell of draws, but hold none
    assert one.kept_mb == estimate(plain, 1, trial=TRIED).kept_mb
    assert other.seconds > one.seconds
    _, extent = made_ready(country)
    assert (extent.draws, extent.drawn_cases) == (0, 0)


def test_shapes_that_exclude_ground_are_counted_by_their_edges(country, tmp_path):
    import geopandas as gpd
    from shapely import Point

    gpd.GeoDataFrame({"n": [1]}, geometry=[Point(LEFT + 9000, TOP - 9000).buffer(900)], crs="EPSG:25831").to_file(
        country[1] / "ring.gpkg"
    )
    region = made_ready(country, constraints=[])[1].edges  # of the outline
    for grow in ("0 m", "30 m"):
        ring = {"name": "ring", "file": "ring.gpkg", "exclude": "inside", "grow": grow}
        _, extent = made_ready(country, constraints=[ring])
        assert extent.edges - region >= 64
        assert extent.corners_read == max(region, 65)
        assert extent.most_widened == (65 if grow == "30 m" else 0)
        assert extent.burned == 0
    (country[1] / "ring.gpkg").unlink()
    opened = COSTS.base + COSTS.reader
    many = replace(SMALL, edges=20_000_000, corners_read=20_000_000)
    assert memory_bytes(many, 2, 1024) == opened + 20_000_000 * COSTS.corner_read  # while they are read
    held = opened + 20_000_000 * (COSTS.edge + COSTS.corner_resident)
    widened = memory_bytes(replace(many, most_widened=1_000_000), 2, 1024)
    assert widened == held + 1_000_000 * COSTS.corner_widened  # in one piece
    far = memory_bytes(replace(SMALL, segments=10_000_000), 2, 1024)
    assert far == opened + 10_000_000 * (COSTS.segment + COSTS.corner_far)  # in two processes


def test_shapes_that_are_too_many_are_refused_before_they_are_read(country, tmp_path, monkeypatch):
    import geopandas as gpd
    from shapely import Point

    plan, folder = country
    corners = 40 * 33
    rows = [Point(LEFT + 200 * n, TOP - 9000).buffer(90, quad_segs=8) for n in range(40)]
    gpd.GeoDataFrame({"id": range(40)}, geometry=rows, crs="EPSG:25831").to_file(folder / "many.gpkg")
    built = {"name": "built", "file": "many.gpkg", "exclude": "inside"}
    monkeypatch.setattr(runs, "prepare_run", lambda *_, **__: pytest.fail("read"))
    for costs, more in (
        ({"corner_read": 1e9}, {"constraints": [built]}),
        ({"parcel_memory": 1e9}, {"parcels": {"file": "many.gpkg", "id": "id"}}),
    ):
        monkeypatch.setattr(module, "COSTS", replace(COSTS, **costs))
        loaded = uo.load_plan({**plan, **more}, base=folder)
        known = 40e9 if "parcel_memory" in costs else corners * 1e9
        with pytest.raises(UnderoakError, match="E503 --memory: about") as caught:
            uo.run(loaded, out=tmp_path / "out", memory=int(0.99 * known))
        assert caught.value.exit_code == 7
        with pytest.raises(pytest.fail.Exception, match="read"):
            uo.run(loaded, out=tmp_path / "out", memory=int(1.3 * MARGIN * known))
    (folder / "many.gpkg").unlink()


def test_cells_of_parcels_are_counted_for_every_case_but_the_first(country):
    work, extent = made_ready(country)
    sample = next(reducer for job in work.cases for reducer in job.reducers if reducer.name == "cells")
    assert extent.sampled_cells == sample.most_cells > 60
    assert extent.sampled_cells <= sample.k * extent.parcels
    many = replace(LARGE, cases=5, parcels=10_000, sampled_cells=500_000)
    more = memory_bytes(many, 1, 1024) - memory_bytes(replace(many, sampled_cells=0), 1, 1024)
    assert more == pytest.approx(4 * 500_000 * (4.5 + 6) * COSTS.sampled_value)
    assert memory_bytes(replace(many, cases=1), 1, 1024) == memory_bytes(
        replace(many, cases=1, sampled_cells=0), 1, 1024
    )
