"""Several changes between two runs, judged one at a time: what each does alone comes out, and none is guessed."""

import copy
import json
import shutil

import numpy as np
import pytest
import rasterio
import shapely
from click.testing import CliRunner

import underoak as uo
from underoak.cli import main
from underoak.engine.write.checksums import sha256
from underoak.report import compare, comparison_text, comparison_values
from underoak.runs import single_changes as tested
from underoak.runs.single_changes import single_changes

from noise import LEFT, TOP, small_country, write_raster, write_shapes


@pytest.fixture(scope="module")
def country(tmp_path_factory):
    folder = tmp_path_factory.mktemp("country")
    plan = small_country(folder, parcels=60)
    with rasterio.open(folder / "ph.tif") as source:
        cells, transform, crs, nodata = source.read(), source.transform[:6], source.crs, source.nodata
    write_raster(folder / "ph_new.tif", np.where(cells == nodata, cells, cells + 4), crs, transform, nodata=nodata)
    return plan, folder


def judged(plan, folder, out, **changes):
    return uo.run(uo.load_plan(copy.deepcopy(plan) | changes, base=folder), out=out)


def with_ph(plan, file):
    return {**plan["layers"], "soil_ph": {**plan["layers"]["soil_ph"], "file": file}}


def with_steep(plan, exclude):
    return [plan["constraints"][0], {**plan["constraints"][1], "exclude": exclude}]


@pytest.fixture(scope="module")
def first(country, tmp_path_factory):
    plan, folder = country
    return judged(plan, folder, tmp_path_factory.mktemp("first") / "run", constraints=with_steep(plan, "> 81 degree"))


@pytest.fixture(scope="module")
def second(country, tmp_path_factory):
    """Another pH, and another limit that no slope reaches."""
    plan, folder = country
    changes = {"constraints": with_steep(plan, "> 83 degree"), "layers": with_ph(plan, "ph_new.tif")}
    return judged(plan, folder, tmp_path_factory.mktemp("second") / "run", **changes)


def by_words(tests):
    return {test.cause.words: test for test in tests.tests}


IDLE, ACTIVE = "constraints.steep.exclude of the plan changed", "input soil_ph changed"


def test_of_two_changes_the_idle_one_moves_nothing_and_the_other_all(first, second):
    found = compare(first, second)
    tests = single_changes(found, is_wanted=True)
    assert set(by_words(tests)) == {IDLE, ACTIVE}
    assert not by_words(tests)[IDLE].effect.moves_results
    assert by_words(tests)[ACTIVE].is_enough
    assert by_words(tests)[ACTIVE].effect.parcels[""] == found.cases[""].parcels
    assert by_words(tests)[ACTIVE].effect.cells[""].changed == found.cases[""].cells.changed > 0
    assert tests.explanation.words == ACTIVE
    text = " ".join(comparison_text(found, tests).split())
    assert f"{IDLE}: no cell and no parcel changes" in text
    assert f"Explained by: {ACTIVE}. Alone it gives all results of the second run" in text
    assert comparison_values(found, tests)["explained_by"] == ACTIVE


def test_turned_round_the_same_change_explains_it(first, second):
    assert single_changes(compare(second, first), is_wanted=True).explanation.words == ACTIVE


@pytest.fixture
def two_low_criteria(tmp_path):
    """Land whose suitability is the lesser of two memberships of 0.3 in the west; 0.3 and 0.9 in the east."""
    place = (30, 0, LEFT, 0, -30, TOP)
    for name, east in (("one", 3.0), ("other", 9.0)):
        values = np.full((40, 60), 3.0, np.float32)
        values[:, 30:] = east
        values[0, 0] = 8.0
        write_raster(tmp_path / f"{name}.tif", values, "EPSG:25831", place)
    fields = [shapely.box(LEFT + x, TOP - 900, LEFT + x + 300, TOP - 300) for x in (300, 1200)]
    write_shapes(tmp_path / "fields.gpkg", fields, "EPSG:25831", name=["west", "east"])
    curve = {"shape": "points", "of": [[0, 0], [10, 1]]}
    return {
        "format": 1, "title": "two", "purpose": "region",
        "region": {"bounds": [LEFT, TOP - 1200, LEFT + 1800, TOP], "crs": "EPSG:25831", "cell": "30 m"},
        "layers": {name: {"file": f"{name}.tif", "unit": "1", "resample": "nearest"} for name in ("one", "other")},
        "criteria": {name: {"layer": name, "curve": curve, "source": "a test"} for name in ("one", "other")},
        "combine": {"rule": "minimum"}, "parcels": {"file": "fields.gpkg", "id": "name"},
    }  # fmt: skip


def test_changes_that_only_act_together_are_told_by_parcel(two_low_criteria, tmp_path):
    plan = two_low_criteria
    first = judged(plan, tmp_path, tmp_path / "a")
    steeper = {"shape": "points", "of": [[0, 0], [5, 1]]}  # 3 is worth 0.6, no more 0.3
    changed = {name: {**entry, "curve": steeper} for name, entry in plan["criteria"].items()}
    found = compare(first, judged(plan, tmp_path, tmp_path / "b", criteria=changed))
    tests = single_changes(found, is_wanted=True)
    one, other = (by_words(tests)[f"criteria.{name}.curve of the plan changed"] for name in ("one", "other"))
    east = one.effect.parcel("", "east")
    assert east.suitability == pytest.approx((0.3, 0.6))  # the other is at 0.9 there
    assert one.effect.parcel("", "west").rank == (1, 2)  # passed by the other, with its own result as before
    assert not one.effect.parcel("", "west").has_other_result
    assert not other.effect.moves_results
    assert tests.explanation is None
    assert tests.only_together(found) == {"": ("west",)}
    text = " ".join(comparison_text(found, tests).split())
    assert "Only change 1 moves results by itself, but" in text
    assert "Parcels that no change moves by itself, but several together: west." in text
    assert "; several together" in text


def test_changes_that_move_nothing_alone_act_together(two_low_criteria, tmp_path):
    plan = two_low_criteria
    with rasterio.open(tmp_path / "other.tif", "r+") as other:
        other.write(np.where(other.read() == 9.0, np.float32(3.0), other.read()))
    first = judged(plan, tmp_path, tmp_path / "a")
    steeper = {"shape": "points", "of": [[0, 0], [5, 1]]}
    changed = {name: {**entry, "curve": steeper} for name, entry in plan["criteria"].items()}
    found = compare(first, judged(plan, tmp_path, tmp_path / "b", criteria=changed))
    tests = single_changes(found, is_wanted=True)
    assert all(test.effect.parcels[""].is_empty for test in tests.tests)
    assert set(tests.only_together(found)[""]) == {"west", "east"}


def test_a_file_that_was_written_over_is_told_and_never_guessed(country, tmp_path):
    plan = country[0]
    folder = tmp_path / "land"
    shutil.copytree(country[1], folder)
    first = judged(plan, folder, tmp_path / "a")
    shutil.copy(folder / "ph_new.tif", folder / "ph.tif")
    second = judged(plan, folder, tmp_path / "b", combine={"rule": "linear"})
    found = compare(first, second)
    tests = single_changes(found, is_wanted=True)
    combine, ph = (by_words(tests)[words] for words in ("combine.rule of the plan changed", ACTIVE))
    assert combine.effect is None
    assert "the file of soil_ph of the first run is gone, or has another content" in combine.reason
    assert ph.effect.moves_results  # it needs the new content only
    assert not ph.is_enough
    assert tests.explanation is None
    assert tests.only_together(found) == {}  # not all are known
    assert "What the others do not explain can come from change 1" in " ".join(comparison_text(found, tests).split())


def test_a_file_that_only_moved_is_found_at_its_new_place(country, tmp_path):
    plan, folder = country[0], tmp_path / "land"
    shutil.copytree(country[1], folder)
    first = judged(plan, folder, tmp_path / "a")
    (folder / "cover.tif").rename(folder / "land_cover.tif")
    layers = with_ph(plan, "ph_new.tif") | {"cover": {**plan["layers"]["cover"], "file": "land_cover.tif"}}
    found = compare(first, judged(plan, folder, tmp_path / "b", layers=layers, combine={"rule": "linear"}))
    tests = single_changes(found, is_wanted=True)
    assert tests.is_complete
    assert len(tests.active) == 2


def test_a_layer_and_the_criterion_that_needs_it_are_one_change(country, tmp_path):
    plan, folder = country
    layers = {name: layer for name, layer in plan["layers"].items() if name != "cover"}
    criteria = {name: entry for name, entry in plan["criteria"].items() if name != "cover"}
    less = {"weights": {"direct": {"ph": 0.5, "height": 0.3, "slope": 0.2}}, "layers": layers, "criteria": criteria}
    first = judged(plan, folder, tmp_path / "a", **less, combine={"rule": "linear"})
    equal = {name: {**entry, "weight": 1} for name, entry in plan["criteria"].items()}
    plan = {name: part for name, part in plan.items() if name != "weights"}
    found = compare(first, judged(plan, folder, tmp_path / "b", criteria=equal))
    words = set(found.causes)
    assert "layers.cover and criteria.cover and input cover changed" in words
    assert not any(cause in words for cause in ("input cover changed", "criteria.cover of the plan changed"))


def test_scenarios_are_tested_one_by_one(country, tmp_path):
    plan, folder = country
    scenarios = [{"name": "later", "replace": {"soil_ph": file}} for file in ("ph.tif", "ph_new.tif")]
    first = judged(plan, folder, tmp_path / "a", scenarios=scenarios[:1])
    second = judged(plan, folder, tmp_path / "b", scenarios=scenarios[1:], combine={"rule": "linear"})
    found = compare(first, second)
    tests = single_changes(found, is_wanted=True)
    (file,) = (test for test in tests.tests if test.cause.inputs)
    assert not file.effect.cells["present"].changed
    assert file.effect.cells["scenarios/later"].changed
    (combine,) = (test for test in tests.tests if test.cause.keys)
    assert combine.effect.cells["present"].changed == found.cases["present"].cells.changed > 0


def test_long_runs_are_not_judged_again_unless_asked(first, second, tmp_path):
    shutil.copytree(second.folder, tmp_path / "slow")
    path = tmp_path / "slow" / "run.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    content["when"] |= {"seconds": tested.MOST_SECONDS}
    path.write_text(json.dumps(content), encoding="utf-8")
    found = compare(first, uo.Run.open(tmp_path / "slow"))
    tests = single_changes(found)
    assert tests.tests == ()
    text = comparison_text(found, tests)
    assert "They were not tested by themselves: one run takes about 10 s." in text
    assert f"  {IDLE}" in text
    result = CliRunner().invoke(main, ["compare", str(first.folder), str(tmp_path / "slow")])
    assert result.exit_code == 0
    assert result.stderr == ""
    assert "--test" in result.stdout


def test_the_command_tests_and_keeps_nothing(first, second, tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    before = {path: sha256(path) for run in (first, second) for path in run.folder.rglob("*") if path.is_file()}
    result = CliRunner().invoke(main, ["compare", str(first.folder), str(second.folder), "--test"])
    assert result.exit_code == 0
    assert "Explained by: input soil_ph changed." in result.stdout
    assert result.stderr == "Testing 2 changes by themselves ...\n"
    assert list(tmp_path.iterdir()) == []
    assert {path: sha256(path) for path in before} == before
    assert max(map(len, result.stdout.splitlines())) <= 100
    untested = CliRunner().invoke(main, ["compare", str(first.folder), str(second.folder), "--no-test"])
    assert "Each of these, or several together, can be the reason:" in untested.stdout


def test_other_software_is_not_tested_where_it_is_not_there(first, second, tmp_path):
    shutil.copytree(second.folder, tmp_path / "other")
    path = tmp_path / "other" / "run.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    content["software"]["numba"] = "0.0.1"
    path.write_text(json.dumps(content), encoding="utf-8")
    tests = single_changes(compare(first, uo.Run.open(tmp_path / "other")), is_wanted=True)
    (software,) = (test for test in tests.tests if test.cause.is_software)
    assert software.effect is None
    assert "another" in software.reason
    assert tests.explanation is None


def test_a_run_that_does_not_say_where_its_inputs_lie_is_told(first, second, tmp_path):
    shutil.copytree(second.folder, tmp_path / "old")
    path = tmp_path / "old" / "run.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    del content["when"]["plan_folder"]
    path.write_text(json.dumps(content), encoding="utf-8")
    tests = single_changes(compare(first, uo.Run.open(tmp_path / "old")), is_wanted=True)
    assert "does not say where its inputs lie" in tests.reason
