"""Two runs side by side: known differences come out exactly, and only what must be is called the reason."""

import copy
import json
import shutil
from dataclasses import replace

import numpy as np
import pytest
import rasterio
from click.testing import CliRunner

import underoak as uo
from underoak.base.errors import UnderoakError
from underoak.base.grid import Grid
from underoak.cli import main
from underoak.engine.raster_difference import difference
from underoak.engine.storage.manifest import CriterionWords
from underoak.indicators import cell_areas
from underoak.report import compare, comparison_text, comparison_values
from underoak.report.comparison.compare import OutputChange
from underoak.report.comparison.plan_changes import PlanChange, PlanOfCase, plan_changes

from noise import LEFT, TOP, small_country, write_raster

GRID = Grid.north_up("EPSG:25831", LEFT, TOP, 30.0, 700, 1100)


def rasters(folder, scores, classes, memberships, names=("ph", "slope"), scale=None):
    """A run folder's three rasters from whole arrays."""
    folder.mkdir()
    place = {"crs": GRID.crs, "transform": rasterio.Affine(*GRID.transform), "driver": "GTiff", "height": GRID.rows,
             "width": GRID.cols}  # fmt: skip
    nodata, kind = (65535, "uint16") if scale else (np.nan, "float32")
    with rasterio.open(folder / "suitability.tif", "w", dtype=kind, count=1, nodata=nodata, **place) as made:
        made.write(np.where(np.isnan(scores), 65535, np.round(scores / scale)) if scale else scores, 1)
        if scale:
            made.scales = (scale,)
    with rasterio.open(folder / "class.tif", "w", dtype="uint8", count=1, nodata=255, **place) as made:
        made.write(classes, 1)
    with rasterio.open(folder / "memberships.tif", "w", dtype="uint8", count=len(names), nodata=255, **place) as made:
        made.write(memberships)
        made.descriptions = names
    return folder


@pytest.fixture
def ground():
    """Scores, classes and memberships: 0.6 and S2 everywhere, but for a row without data."""
    scores = np.full(GRID.shape, 0.6, np.float32)
    classes = np.full(GRID.shape, 2, np.uint8)
    scores[0], classes[0] = np.nan, 255
    memberships = np.full((2, *GRID.shape), 150, np.uint8)
    return scores, classes, memberships


def test_the_same_rasters_do_not_differ(ground, tmp_path):
    one, other = rasters(tmp_path / "a", *ground), rasters(tmp_path / "b", *ground)
    found = difference(one, other, GRID)
    assert (found.changed, found.most, found.most_at, found.blocks) == (0, 0.0, None, ())
    assert found.judged == (GRID.rows - 1) * GRID.cols
    assert set(found.moves) == {(2, 2), (255, 255)}
    assert found.memberships == {"ph": 0, "slope": 0}


def test_known_changes_come_out_exactly(ground, tmp_path):
    one = rasters(tmp_path / "a", *ground)
    scores, classes, memberships = (array.copy() for array in ground)
    scores[10, :99] += np.float32(0.1)  # 99 cells of the first block by 0.1
    scores[10, 99] += np.float32(0.3)  # and one by 0.3
    scores[600:604, 1050] -= np.float32(0.2)  # 4 cells of the last block by -0.2
    scores[20, 600], classes[20, 600] = np.nan, 250  # one cell of the second block is excluded now
    classes[10, 99] = 1
    memberships[1, 10, :100] = 200
    memberships[0, 0, :50] = 3  # where nothing is judged
    found = difference(one, rasters(tmp_path / "b", scores, classes, memberships), GRID)
    assert found.judged == (GRID.rows - 1) * GRID.cols - 1
    assert found.changed == 104
    assert found.mean == pytest.approx((99 * 0.1 + 0.3 + 4 * 0.2) / 104, rel=1e-6)
    assert found.shift == pytest.approx((99 * 0.1 + 0.3 - 4 * 0.2) / found.judged, rel=1e-6)
    assert found.most == pytest.approx(0.3, rel=1e-6)
    assert found.most_at == (10, 99)
    assert found.most_from_to == pytest.approx((0.6, 0.9))
    assert 0.2 <= found.p99 <= 0.202  # 103 of the 104 changed by 0.2 or less
    assert found.memberships == {"ph": 0, "slope": 100}
    hectare = cell_areas(GRID, GRID.window) / 1e4
    assert found.moves[2, 1] == pytest.approx(hectare[10, 99], rel=1e-4)
    assert found.moves[2, 250] == pytest.approx(hectare[20, 600], rel=1e-4)
    assert found.moves[255, 255] == pytest.approx(hectare[0].sum(), rel=1e-4)
    assert sum(found.moves.values()) == pytest.approx(hectare.sum(), rel=1e-4)
    assert [(b.window.row, b.window.col, b.cells) for b in found.blocks] == [(0, 0, 100), (0, 512, 1), (512, 1024, 4)]
    assert [b.amount for b in found.blocks] == pytest.approx([10.2, 1.0, 0.8], rel=1e-6)


def test_a_millionth_is_no_change(ground, tmp_path):
    one = rasters(tmp_path / "a", *ground)
    scores = ground[0].copy()
    scores[5, 5] += np.float32(6e-7)
    scores[6, 6] += np.float32(3e-6)
    found = difference(one, rasters(tmp_path / "b", scores, *ground[1:]), GRID)
    assert (found.changed, found.most_at) == (1, (6, 6))


def test_storing_in_steps_is_no_change(ground, tmp_path):
    scores = np.random.default_rng(5).random(GRID.shape).astype(np.float32)
    one = rasters(tmp_path / "a", scores, *ground[1:])
    found = difference(one, rasters(tmp_path / "b", scores, *ground[1:], scale=1 / 60000), GRID)
    assert found.changed == 0


def test_turning_the_runs_round_turns_the_figures_round(ground, tmp_path):
    rng = np.random.default_rng(3)
    folders = []
    for name in ("a", "b"):
        codes = rng.choice([1, 2, 3, 4, 250, 255], GRID.shape).astype(np.uint8)
        memberships = rng.integers(0, 251, (2, *GRID.shape)).astype(np.uint8)
        folders.append(rasters(tmp_path / name, rng.random(GRID.shape).astype(np.float32), codes, memberships))
    there, back = difference(*folders, GRID), difference(*folders[::-1], GRID)
    assert back.shift == pytest.approx(-there.shift)
    assert (back.changed, back.mean, back.p99, back.most, back.most_at) == (
        there.changed, there.mean, there.p99, there.most, there.most_at
    )  # fmt: skip
    assert {(b, a): area for (a, b), area in back.moves.items()} == dict(there.moves)


def test_a_percentile_is_that_of_all_changes_to_a_hundredth(ground, tmp_path):
    scores = ground[0] + np.random.default_rng(8).exponential(0.01, GRID.shape).astype(np.float32)
    found = difference(rasters(tmp_path / "a", *ground), rasters(tmp_path / "b", scores, *ground[1:]), GRID)
    sizes = np.abs(scores.astype(float) - ground[0])
    assert found.p99 == pytest.approx(np.nanpercentile(sizes[sizes > 1e-6], 99), rel=0.011)


# --- whole runs


@pytest.fixture(scope="module")
def country(tmp_path_factory):
    folder = tmp_path_factory.mktemp("compared")
    plan = small_country(folder, parcels=60)
    with rasterio.open(folder / "ph.tif") as source:
        cells, transform, crs, nodata = source.read(), source.transform[:6], source.crs, source.nodata
    wetter = np.where(cells == nodata, cells, cells + 3)
    write_raster(folder / "ph_new.tif", wetter, crs, transform, nodata=nodata)
    return plan, folder


def judged(country, out, **changes):
    plan, folder = country
    return uo.run(uo.load_plan(copy.deepcopy(plan) | changes, base=folder), out=out)


def with_file(plan, file):
    return {**plan["layers"], "soil_ph": {**plan["layers"]["soil_ph"], "file": file}}


@pytest.fixture(scope="module")
def first(country, tmp_path_factory):
    return judged(country, tmp_path_factory.mktemp("first") / "run")


@pytest.fixture(scope="module")
def other_ph(country, tmp_path_factory):
    return judged(country, tmp_path_factory.mktemp("other") / "run", layers=with_file(country[0], "ph_new.tif"))


@pytest.fixture
def copied(first, tmp_path):
    """The first run under another name, and a way to change what its manifest says."""
    shutil.copytree(first.folder, tmp_path / "copy")

    def edit(change):
        path = tmp_path / "copy" / "run.json"
        content = json.loads(path.read_text(encoding="utf-8"))
        change(content)
        path.write_text(json.dumps(content), encoding="utf-8")
        return uo.Run.open(tmp_path / "copy")

    return edit


def test_a_run_made_again_is_the_same_wherever_it_lies(country, first, tmp_path):
    again = judged(country, tmp_path / "again")
    found = compare(first, again)
    assert found.outputs.are_same
    assert found.causes == ()
    assert found.fault() is None
    assert "Both runs wrote" in comparison_text(found)
    assert CliRunner().invoke(main, ["compare", str(first.folder), str(again.folder), "--expect-same"]).exit_code == 0


def test_one_input_that_changed_is_the_reason_by_its_name(first, other_ph):
    found = compare(first, other_ph)
    assert found.causes == ("input soil_ph changed",)
    assert "Explained by: input soil_ph changed." in comparison_text(found)
    cells = found.cases[""].cells
    assert cells.changed > 0.5 * cells.judged
    assert cells.memberships["ph"] > 0
    assert all(cells.memberships[name] == 0 for name in ("height", "slope", "cover"))


def test_an_input_that_only_moved_is_no_difference(country, first, tmp_path):
    plan, folder = country
    shutil.copy(folder / "ph.tif", folder / "moved.tif")
    found = compare(first, judged(country, tmp_path / "out", layers=with_file(plan, "moved.tif")))
    assert found.outputs.are_same
    assert found.inputs == ()


def test_with_two_differences_neither_is_called_the_reason(country, first, tmp_path):
    weights = {"direct": {"ph": 0.1, "height": 0.6, "slope": 0.2, "cover": 0.1}}
    second = judged(country, tmp_path / "out", layers=with_file(country[0], "ph_new.tif"), weights=weights)
    found = compare(first, second)
    assert set(found.causes) == {"the weights changed", "input soil_ph changed"}
    text = comparison_text(found)
    assert "Explained by" not in text
    assert "weight of ph: 0.400 -> 0.100" in text
    assert comparison_values(found)["explained_by"] is None


def test_a_new_title_changes_files_and_no_cell(country, first, tmp_path):
    found = compare(first, judged(country, tmp_path / "out", title="another"))
    assert not found.outputs.are_same
    assert not found.moves_cells
    assert found.causes == ("title of the plan changed",)
    assert found.fault().exit_code == 6


def test_a_stricter_constraint_moves_ground_to_excluded(country, first, tmp_path):
    plan = country[0]
    steep = {**plan["constraints"][1], "exclude": "> 12 degree"}
    second = judged(country, tmp_path / "out", constraints=[plan["constraints"][0], steep])
    found = compare(first, second)
    assert found.causes == ("constraints.steep.exclude of the plan changed",)
    moves = found.cases[""].cells.moves
    gained = sum(area for (before, after), area in moves.items() if after == 250 and before != 250)
    before, after = (run.manifest.cases[0].counts.classes[250] for run in (first, second))
    cell = float(cell_areas(first.grid, first.grid.window)[45, 55]) / 1e4
    assert gained == pytest.approx((after - before) * cell, rel=1e-4)
    assert "> 34 degree -> > 12 degree" in comparison_text(found)


def test_on_other_grids_totals_and_parcels_are_compared(country, first, tmp_path):
    region = {**country[0]["region"], "cell": "45 m"}
    found = compare(first, judged(country, tmp_path / "out", region=region))
    assert found.not_compared == "the grids differ"
    assert found.cases[""].cells is None
    assert found.cases[""].parcels.both == 60
    text = comparison_text(found)
    assert "Cells were not compared: the grids differ." in text
    assert "excluded" in text
    assert found.causes == ("region.cell of the plan changed",)


def test_other_software_is_told_and_counted_among_the_reasons(copied, first, other_ph):
    second = copied(lambda m: m["software"].update(numba="0.0.1"))
    assert compare(first, second).outputs.are_same
    assert "numba" in comparison_text(compare(first, second))
    assert set(compare(second, other_ph).causes) == {"input soil_ph changed", "software changed (numba)"}


def test_what_nothing_explains_is_said_to_be_unexplained(copied, first):
    second = copied(lambda m: m["outputs"][0].update(sha256="0" * 64))
    found = compare(first, second)
    assert found.causes == ()
    assert "Nothing in the records explains it" in comparison_text(found)


def test_a_raster_that_is_gone_is_told_and_the_rest_compared(copied, first, other_ph):
    second = copied(lambda m: None)
    (second.folder / "class.tif").unlink()
    found = compare(other_ph, second)
    assert "class.tif" in found.not_compared
    assert found.causes == ("input soil_ph changed",)


def test_a_damaged_raster_is_a_fault_not_a_difference(copied, other_ph):
    second = copied(lambda m: None)
    path = second.folder / "suitability.tif"
    path.write_bytes(path.read_bytes()[:4000])
    with pytest.raises(UnderoakError) as caught:
        compare(other_ph, second)
    assert caught.value.faults[0].code == "E230"
    assert str(path) in caught.value.faults[0].where


def test_parcels_are_joined_by_id_and_the_furthest_moved_come_first(first, other_ph):
    change = compare(first, other_ph).cases[""].parcels
    before, after = (run.parcels.set_index("id") for run in (first, other_ph))
    assert change.both == 60
    for parcel in change.changed:
        assert parcel.suitability[0] == pytest.approx(before["suitability"][parcel.id], nan_ok=True)
        assert parcel.suitability[1] == pytest.approx(after["suitability"][parcel.id], nan_ok=True)
    moves = [abs(parcel.moved) for parcel in change.changed]
    assert moves == sorted(moves, reverse=True)
    rose = {p.id for p in change.changed if p.moved > 0}
    judged_both = before["rank"].notna() & after["rank"].reindex(before.index).notna()
    expected = before.index[judged_both & (after["rank"].reindex(before.index) < before["rank"])]
    assert rose == set(expected)


def test_parcels_that_come_and_go_are_named(country, first, tmp_path):
    import geopandas as gpd

    folder = country[1]
    fields = gpd.read_file(folder / "fields.gpkg")
    fields["name"] = fields["name"].replace({"f07": "new one"})
    fields.to_file(folder / "renamed.gpkg", engine="pyogrio")
    second = judged(country, tmp_path / "out", parcels={"file": "renamed.gpkg", "id": "name"})
    found = compare(first, second)
    assert found.cases[""].parcels.only_first == ("f07",)
    assert found.cases[""].parcels.only_second == ("new one",)
    assert found.causes == ("input parcels changed",)


def test_futures_are_compared_one_by_one(country, tmp_path):
    runs = [
        judged(country, tmp_path / name, scenarios=[{"name": "later", "replace": {"soil_ph": file}}])
        for name, file in (("a", "ph.tif"), ("b", "ph_new.tif"))
    ]
    found = compare(*runs)
    assert set(found.cases) == {"present", "scenarios/later"}
    assert found.cases["present"].cells.changed == 0
    assert found.cases["scenarios/later"].cells.changed > 0
    assert found.cases["scenarios/later"].parcels.changed
    assert "Cells of scenarios/later" in comparison_text(found)


def test_no_line_is_wider_than_a_hundred_columns_nor_moves_the_cursor(copied, other_ph):
    second = copied(lambda m: m["plan"].update(title="a \x1b]0;b\nE999 " + "very long " * 30))
    text = comparison_text(compare(second, other_ph))
    assert max(map(len, text.splitlines())) <= 100
    assert "\x1b" not in text
    assert not any(line.startswith("E999") for line in text.splitlines())


def test_the_command_prints_text_or_json_and_says_by_its_exit_code_what_was_expected(first, other_ph, tmp_path):
    folders = [str(first.folder), str(other_ph.folder)]
    plain = CliRunner().invoke(main, ["compare", *folders])
    assert plain.exit_code == 0
    assert "Explained by" in plain.stdout
    assert plain.stderr == ""
    both = CliRunner().invoke(main, ["compare", *folders, "--json", str(tmp_path / "c.json"), "--expect-same"])
    assert both.exit_code == 6
    assert both.stderr.startswith("E607 ")
    assert both.stdout == plain.stdout
    alone = CliRunner().invoke(main, ["compare", *folders, "--json", "-"])
    found = json.loads(alone.stdout)
    assert found == json.loads((tmp_path / "c.json").read_text(encoding="utf-8"))
    assert found["same"] is False
    assert found["explained_by"] == "input soil_ph changed"
    cells = found["views"]["."]["cells"]
    assert cells["changed"] > 0
    assert -180 <= cells["most"]["longitude"] <= 180
    assert found["views"]["."]["parcels"]["both"] == 60


def test_a_folder_without_a_run_is_a_fault(first, tmp_path):
    result = CliRunner().invoke(main, ["compare", str(first.folder), str(tmp_path)])
    assert result.exit_code == 6
    assert "E603" in result.stderr


# --- the plan, key by key


def manifest(plan, **criteria):
    """The part of a manifest that plans are compared by; each criterion is given with its weight."""
    judged_by = [CriterionWords(n, n, w, n, f"curve of {n}", "", False, "") for n, w in criteria.items()]
    return PlanOfCase({"layers": {}, "criteria": {}, **plan}, judged_by)


@pytest.mark.parametrize(
    ("before", "after", "key", "words", "touches"),
    [
        ({"combine": {"rule": "linear"}}, {"combine": {"rule": "minimum"}}, "combine.rule", "linear -> minimum",
         "cells"),
        ({"classes": {"S1": 0.75}}, {"classes": {"S1": 0.8}}, "classes.S1", "0.75 -> 0.8", "cells"),
        ({"title": "a"}, {"title": "b"}, "title", "a -> b", "words"),
        ({}, {"zones": {"at_least": "S2"}}, "zones", "added (at_least: S2)", "zones"),
        ({"parcels": {"id": "a"}}, {"parcels": {"id": "b"}}, "parcels.id", "a -> b", "parcels"),
        ({"layers": {"ph": {"resample": "mean"}}}, {"layers": {"ph": {"resample": "nearest"}}}, "layers.ph.resample",
         "mean -> nearest", "cells"),
        ({"layers": {"idle": {"unit": "m"}}}, {"layers": {"idle": {"unit": "ft"}}}, "layers.idle.unit", "m -> ft",
         "words"),
        ({"constraints": []}, {"constraints": [{"name": "wet", "layer": "ph", "exclude": "> 8"}]}, "constraints.wet",
         "added", "cells"),
        ({"constraints": [{"name": "wet", "source": "a"}]}, {"constraints": [{"name": "wet", "source": "b"}]},
         "constraints.wet.source", "a -> b", "words"),
        ({"criteria": {"ph": {"curve": {"at": [1, 2]}}}}, {"criteria": {"ph": {"curve": {"at": [1, 3]}}}},
         "criteria.ph.curve", "curve of ph -> curve of ph", "cells"),
        ({"purpose": "buy"}, {"purpose": "restore"}, "purpose", "buy -> restore", "cells"),  # by the native range
        ({"hosts": ["a"]}, {"hosts": ["b"]}, "hosts", "-> [", "parcels"),
        ({"lab": {"mode": "update"}}, {"lab": {"mode": "replace"}}, "lab.mode", "update -> replace", "parcels"),
        ({"criteria": {"ph": {"remedy": "none"}}}, {"criteria": {"ph": {"remedy": {"by": "lime"}}}},
         "criteria.ph.remedy", "by: lime", "parcels"),
        ({"layers": {"ph": {"grain": "90 m"}}}, {"layers": {"ph": {"grain": "250 m"}}}, "layers.ph.grain", "250 m",
         "doubt"),
    ],
)  # fmt: skip
def test_each_kind_of_change_is_worded_and_knows_what_it_moves(before, after, key, words, touches):
    (change,) = plan_changes(manifest(before, ph=1.0), manifest(after, ph=1.0))
    assert (change.key, change.touches) == (key, touches)
    assert words in change.words


def test_what_a_judged_layer_is_derived_from_moves_cells_however_many_there_are():
    inputs = {"rain": {"unit": "mm"}, "heat": {"unit": "K"}, "idle": {"unit": "m"}}
    derived = {"dry": {"from": {"rain": "rain", "temperature": "heat"}, "derive": "aridity_thornthwaite"}}
    before = manifest({"layers": {**inputs, **derived}}, dry=1.0)
    for name, touches in {"rain": "cells", "heat": "cells", "idle": "words"}.items():
        after = manifest({"layers": {**inputs, name: {"unit": "other"}, **derived}}, dry=1.0)
        assert [change.touches for change in plan_changes(before, after)] == [touches]


def test_the_order_of_constraints_is_no_change():
    two = [{"name": "a", "exclude": "> 1"}, {"name": "b", "exclude": "> 2"}]
    assert plan_changes(manifest({"constraints": two}), manifest({"constraints": two[::-1]})) == []


def test_weights_are_compared_by_what_they_come_to():
    pairs = {"weights": {"pairwise": [["ph", "slope", 3]]}}
    direct = {"weights": {"direct": {"ph": 3, "slope": 1}}}
    same = plan_changes(manifest(pairs, ph=0.75, slope=0.25), manifest(direct, ph=0.75, slope=0.25))
    assert [change.touches for change in same] == ["words"]
    moved = plan_changes(manifest(pairs, ph=0.75, slope=0.25), manifest(pairs, ph=0.75002, slope=0.24998))
    assert [change.words for change in moved] == [
        "weight of ph: 0.750000000 -> 0.750020000", "weight of slope: 0.250000000 -> 0.249980000"
    ]  # fmt: skip


def test_another_seed_explains_other_draws_and_verdicts_are_compared(tmp_path):
    plan = small_country(tmp_path, parcels=60)
    plan["layers"]["soil_ph"]["sd"] = 0.8
    plan["uncertainty"] = {"draws": 8}
    runs = [uo.run(uo.load_plan(plan, base=tmp_path), out=tmp_path / f"seed{n}", seed=n) for n in (1, 2)]
    found = compare(*runs)
    assert found.causes == ("uncertainty.seed of the plan changed",)
    before, after = (run.parcels.dropna(subset="verdict").set_index("id")["verdict"] for run in runs)
    other = {id for id in before.index if before[id] != after[id]}
    assert other  # eight draws are few
    changed = {change.id: change.verdicts for change in found.cases[""].parcels.changed}
    assert changed == {id: (before[id], after[id]) for id in other}
    told = "\n".join(comparison_text(found).splitlines())
    assert f"{len(runs[0].parcels)} in both runs, {len(other)} of them changed" in told
    for id in sorted(other)[:3]:
        assert f", {before[id]} -> {after[id]}" in told


def test_what_is_in_doubt_explains_what_draws_move_and_no_cell():
    plan = {"layers": {"ph": {"sd": 0.3}}, "criteria": {}, "uncertainty": {"seed": 1}}
    other = {"layers": {"ph": {"sd": 0.4}}, "criteria": {}, "uncertainty": {"seed": 2}}
    changes = plan_changes(manifest(plan, ph=1.0), manifest(other, ph=1.0))
    assert {change.key: change.touches for change in changes} == {"layers.ph.sd": "doubt", "uncertainty.seed": "doubt"}


def test_what_changes_tables_alone_is_explained_though_it_moves_no_cell(tmp_path):
    plan = small_country(tmp_path, parcels=60)
    other = {**plan, "prices": {"lime_t": 45.0, "currency": "EUR"}}
    runs = [uo.run(uo.load_plan(p, base=tmp_path), out=tmp_path / name) for name, p in (("a", plan), ("b", other))]
    found = compare(*runs)
    kept = {"suitability.tif", "class.tif", "memberships.tif"} & set(found.outputs.same)
    assert len(kept) == 3
    tables = OutputChange(tuple(kept), ("parcels.csv",), (), ())
    change = PlanChange("hosts", "hosts: a -> b", "words")
    assert replace(found, outputs=tables, plan=(change,)).causes == ("hosts of the plan changed",)
