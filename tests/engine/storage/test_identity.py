"""A run goes on with tiles of the very same run only, and says what is no longer the same; inputs are watched."""

import os
import shutil

import pytest

from underoak.base.errors import UnderoakError
from underoak.base.grid import Grid
from underoak.engine.storage import input_files as watching
from underoak.engine.storage.identity import Identity, changes
from underoak.engine.storage.input_files import Inputs, file_states
from underoak.engine.write.outputs import standard_outputs
from underoak.plan import load_plan

from noise import LEFT, TOP, noise_country

GRID = Grid.north_up("EPSG:25831", LEFT, TOP, 30.0, 40, 50)
SUMS = {"dem.tif": "aa", "ph.tif": "bb"}


@pytest.fixture(scope="module")
def country(tmp_path_factory):
    folder = tmp_path_factory.mktemp("country")
    return noise_country(folder, 40, 50), folder


def identity(country, sums=SUMS, dtype="float32", grid=GRID, **changed):
    plan, folder = country
    loaded = load_plan({**plan, **changed}, base=folder)
    return Identity.of(loaded, grid, sums, standard_outputs("t", ["ph"], dtype, False))


def told(before, now):
    assert before.digest != now.digest
    faults = changes(before.facts, now.facts)
    assert {fault.code for fault in faults} == {"E602"}
    assert all("--fresh" in fault.fix for fault in faults)
    return [f"{fault.where}: {fault.what}" for fault in faults]


def test_the_same_plan_files_and_software_are_the_same(country):
    assert identity(country).digest == identity(country).digest
    assert changes(identity(country).facts, identity(country).facts) == []


def test_a_weight_that_was_edited_is_named_with_both_values(country):
    weights = {"direct": {"ph": 0.5, "height": 0.3, "slope": 0.1, "cover": 0.1}}
    lines = told(identity(country), identity(country, weights=weights))
    assert any("weights.direct.ph was 0.4, is 0.5" in text for text in lines)
    assert any("weights.direct.slope was 0.2, is 0.1" in text for text in lines)
    assert all(text.startswith("plan: changed since the run was stopped: ") for text in lines)


def test_many_changes_of_a_plan_are_not_all_listed(country):
    weights = {"ranked": ["ph", "height", "slope", "cover"]}
    classes = {"S1": 0.8, "S2": 0.6}
    edited = identity(country, weights=weights, title="another", purpose="region", zones=None, classes=classes)
    lines = told(identity(country), edited)
    assert len(lines) == 6
    assert lines[-1].endswith("more changes")


def test_inputs_are_named(country):
    lines = told(identity(country), identity(country, {"dem.tif": "ab", "cover.tif": "cc"}))
    assert lines == [
        "dem.tif: changed since the run was stopped: another file",
        "ph.tif: changed since the run was stopped: not read any more",
        "cover.tif: changed since the run was stopped: not read then",
    ]


def test_software_grid_and_rasters_are_named(country, monkeypatch):
    before = identity(country)
    moved = Grid.north_up("EPSG:25831", LEFT, TOP, 31.0, 40, 50)
    assert any("transform was [30.0" in text for text in told(before, identity(country, grid=moved)))
    assert any("suitability.tif was" in text for text in told(before, identity(country, dtype="uint16")))
    newer = {**before.facts, "software": {**before.facts["software"], "numpy": "99.0"}}
    assert "numpy was" in told(before, Identity(newer))[0]


@pytest.fixture
def files(tmp_path):
    (tmp_path / "store.zarr" / "c").mkdir(parents=True)
    for name in ("a.tif", "store.zarr/.zattrs", "store.zarr/c/0", "plan.yaml"):
        (tmp_path / name).write_text(f"content of {name}")
    return tmp_path


def watched(files):
    named = {files / "a.tif": {"layers.a"}, files / "store.zarr": {"layers.b"}, files / "plan.yaml": {"plan"}}
    return Inputs(named, files, files / "plan.yaml")


def gone_wrong(inputs):
    with pytest.raises(UnderoakError) as caught:
        inputs.check()
    assert caught.value.exit_code == 6
    assert {fault.code for fault in caught.value.faults} == {"E601"}
    return [(os.path.basename(fault.where), fault.what) for fault in caught.value.faults]


def test_a_file_that_is_replaced_while_it_is_being_opened_is_found(files):
    seen = file_states(
        [files / "a.tif", files / "store.zarr", files / "nothing.tif", files / ("x" * 300), files / "a\0b"]
    )
    assert list(seen) == [(files / "a.tif").resolve()]
    (files / "a.tif").write_text("another content")
    assert gone_wrong(Inputs({files / "a.tif": {"layers.a"}}, files, None, seen))[0][0] == "a.tif"


def test_files_that_stay_are_fine_and_told_with_their_checksums(files):
    inputs = watched(files)
    inputs.check()
    assert [record.path for record in inputs.records] == ["a.tif", "plan.yaml", "store.zarr"]
    assert sorted(inputs.sums) == ["a.tif", "store.zarr"]


def test_a_file_that_is_written_to_is_found(files):
    inputs = watched(files)
    with open(files / "a.tif", "a") as file:
        file.write("more")
    assert gone_wrong(inputs) == [("a.tif", "was written while the run was reading it")]


def test_a_file_of_the_same_size_and_time_is_found_out_by_its_content(files):
    inputs = watched(files)
    before = os.stat(files / "a.tif")
    (files / "a.tif").write_text("CONTENT of a.tif")
    os.utime(files / "a.tif", ns=(before.st_atime_ns, before.st_mtime_ns))
    assert gone_wrong(inputs) == [("a.tif", "was replaced while the run was reading it")]


def test_a_file_that_only_got_other_rights_or_a_new_copy_is_the_same(files):
    inputs = watched(files)
    os.chmod(files / "a.tif", 0o600)
    inputs.check()
    shutil.copy2(files / "a.tif", files / "b.tif")
    os.replace(files / "b.tif", files / "a.tif")
    inputs.check()


def test_a_member_of_a_store_that_changes_comes_or_goes_is_found(files):
    for spoil in (
        lambda: (files / "store.zarr" / "c" / "1").write_text("new"),
        lambda: (files / "store.zarr" / "c" / "0").unlink(),
    ):
        inputs = watched(files)
        spoil()
        assert gone_wrong(inputs)[0][0] == "store.zarr"


def test_a_file_that_is_gone_is_told_and_the_plan_may_be_edited(files):
    inputs = watched(files)
    (files / "plan.yaml").write_text("another title")
    inputs.check()
    (files / "a.tif").unlink()
    assert gone_wrong(inputs)[0][1].startswith("is gone while the run was reading it")


def test_looking_takes_little_time_however_many_files_there_are(files, monkeypatch):
    inputs = watched(files)
    clock, looks = [0.0], []
    monkeypatch.setattr(watching.time, "monotonic", lambda: clock[0])

    def slow():
        looks.append(clock[0])
        clock[0] += 3.0

    inputs.check = slow
    inputs._next = 0.0
    for _ in range(1000):
        inputs.watch()
        clock[0] += 1.0
    assert 3.0 * len(looks) / clock[0] < 0.03
    assert len(looks) > 3
