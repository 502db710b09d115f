"""`run.json` is one model: written as it is read, and another format is refused by name."""

import json

import numpy as np
import pytest

import underoak as uo
from underoak.base.errors import UnderoakError
from underoak.engine.storage.manifest import FORMAT, MANIFEST, NamedFiles, read_manifest

from noise import LEFT, TOP, noise_country, write_raster


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """A run of one present and one scenario."""
    folder = tmp_path_factory.mktemp("cases")
    plan = noise_country(folder, 60, 60)
    plan["region"] = {"bounds": [LEFT, TOP - 1800, LEFT + 1800, TOP], "crs": "EPSG:25831", "cell": "30 m"}
    cover = np.random.default_rng(11).choice([10, 20, 40, 80], (40, 40)).astype(np.uint8)
    write_raster(folder / "later.tif", cover, "EPSG:25831", (95, 0, LEFT - 300, 0, -95, TOP + 300), nodata=0)
    plan["scenarios"] = [{"name": "later", "replace": {"cover": "later.tif"}}]
    return uo.run(uo.load_plan(plan, base=folder), out=folder / "all")


@pytest.fixture
def edited(run, tmp_path):
    """A folder whose manifest is the run's after a change."""

    def edit(change):
        content = json.loads((run.folder / MANIFEST).read_text(encoding="utf-8"))
        change(content)
        (tmp_path / MANIFEST).write_text(json.dumps(content), encoding="utf-8")
        return tmp_path

    return edit


def test_what_is_read_is_written_again_byte_for_byte(run):
    for folder in (run.folder, run.folder / "present", run.folder / "scenarios" / "later"):
        assert read_manifest(folder).dump() == (folder / MANIFEST).read_text(encoding="utf-8")


def test_the_plan_in_a_manifest_is_the_plan(run):
    plan = uo.load_plan(dict(run.manifest.plan), base=".")
    assert run.manifest.spec == plan.spec
    assert plan.hash == run.manifest.plan_sha256


def test_keys_that_this_build_does_not_know_are_passed_over(run, edited):
    folder = edited(lambda content: content.update(deal={"answer": "yes"}) or content["views"][0].update(deal=1))
    assert read_manifest(folder) == run.manifest


def test_a_later_format_is_refused_by_name(edited):
    folder = edited(lambda content: content.update(format=FORMAT + 1))
    said = rf"E603 .*format {FORMAT + 1}, .*this one reads format {FORMAT}.*update underoak"
    with pytest.raises(UnderoakError, match=said):
        read_manifest(folder)


def test_an_earlier_format_is_refused_by_name(edited):
    folder = edited(lambda content: content.update(format=1))
    with pytest.raises(UnderoakError, match=r"E603 .*format 1, written by an earlier build.*run the plan again"):
        read_manifest(folder)


@pytest.mark.parametrize("key", ["format", "plan", "grid", "views", "outputs", "when"])
def test_an_older_manifest_is_refused_with_the_key_that_it_lacks(edited, key):
    folder = edited(lambda content: content.pop(key))
    with pytest.raises(UnderoakError, match=f"E603 .*older build: run.json lacks {key}.*run the plan again"):
        read_manifest(folder)


def test_a_damaged_manifest_is_refused_with_the_key_that_is_wrong(edited):
    folder = edited(lambda content: content["views"][0]["counts"].update(inside="many"))
    with pytest.raises(UnderoakError, match=r"E603 .*run.json cannot be read: views\.0\.counts\.inside"):
        read_manifest(folder)


def test_a_plan_with_a_key_of_a_later_build_is_refused_when_it_is_asked_for(edited):
    manifest = read_manifest(edited(lambda content: content["plan"].update(harvest={})))
    with pytest.raises(UnderoakError, match=r"E603 .*harvest"):
        _ = manifest.spec


@pytest.mark.parametrize("text", ["", "[]", "null", '{"views": 1, "outputs": [{"path": "../x", "sha256": "0"}, 3]}'])
def test_files_outside_and_malformed_entries_are_never_named(tmp_path, text):
    (tmp_path / MANIFEST).write_text(text)
    named = NamedFiles.read(tmp_path / MANIFEST)
    assert (named.folders, dict(named.checksums)) == ((), {})


def test_files_of_any_format_are_named(edited, run):
    named = NamedFiles.read(edited(lambda content: content.update(format=7)) / MANIFEST)
    assert named.is_run
    assert named.folders == ("present", "scenarios/later")
    written = (*run.manifest.outputs, *run.manifest.when.outputs)
    assert named.checksums == {file.path: file.sha256 for file in written}
