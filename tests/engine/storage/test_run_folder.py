"""A run folder's results are all old or all new, whatever kills or fills the disk while they are published."""

import hashlib
import json
import os
import shutil
import time

import pytest

from underoak.base.errors import UnderoakError
from underoak.engine.storage import run_folder as folders
from underoak.engine.storage.run_folder import RunFolder, finish_publishing

from crash import at_call, die, disk_full, in_child


def stage(folder, files: dict[str, str], views=()) -> None:
    """Files and a manifest of them, as a run makes them, for each view and for all together."""
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)
    for view in (*views, ""):
        inside = {name.removeprefix(f"{view}/"): text for name, text in files.items() if name.startswith(view)}
        listed = [{"path": n, "sha256": hashlib.sha256(t.encode()).hexdigest()} for n, t in sorted(inside.items())]
        content = {
            "views": [{"folder": name} for name in (views if not view else [""])],
            "outputs": listed[1:],
            "when": {"outputs": listed[:1]},
        }
        (folder / view / "run.json").write_text(json.dumps(content))


def publish(path, files, views=()) -> None:
    with RunFolder(path) as held:
        stage(held.stage, files, views)
        held.publish()


def contents(path) -> dict[str, str]:
    files = (p for p in path.rglob("*") if p.is_file() and ".underoak" not in p.parts)
    return {p.relative_to(path).as_posix(): p.read_text() for p in files if p.name != "run.json"}


def vouched(path) -> bool:
    """True when a manifest stands there; everything it names must then be as it says."""
    manifest = path / "run.json"
    if not manifest.exists():
        return False
    content = json.loads(manifest.read_text())
    for made in content["outputs"] + content["when"]["outputs"]:
        assert hashlib.sha256((path / made["path"]).read_bytes()).hexdigest() == made["sha256"], made
    return True


OLD = {
    "legend.sld": "always the same",
    "a.tif": "old a",
    "b.tif": "old b",
    "zones.gpkg": "old zones",
    "one/c.tif": "old c",
    "two/x/d.tif": "old d",
}
NEW = {
    "legend.sld": "always the same", "a.tif": "new a", "b.tif": "new b", "one/c.tif": "new c", "three/e.tif": "new e",
}  # fmt: skip
OLD_VIEWS, NEW_VIEWS = ("one", "two/x"), ("one", "three")


@pytest.fixture(scope="module")
def before(tmp_path_factory):
    path = tmp_path_factory.mktemp("before") / "out"
    publish(path, OLD, OLD_VIEWS)
    (path / "notes.txt").write_text("my own")
    return path


@pytest.fixture
def path(before, tmp_path):
    shutil.copytree(before, tmp_path / "out")
    return tmp_path / "out"


def test_published_results_replace_the_old_ones_and_leave_the_rest(path):
    publish(path, NEW, NEW_VIEWS)
    assert contents(path) == {**NEW, "notes.txt": "my own"}
    assert vouched(path)
    assert vouched(path / "one")
    assert not (path / "two").exists()
    assert not (path / ".underoak").exists()


def test_an_old_result_that_somebody_changed_is_left(path):
    (path / "zones.gpkg").write_text("edited by hand")
    publish(path, NEW, NEW_VIEWS)
    assert contents(path)["zones.gpkg"] == "edited by hand"


@pytest.mark.parametrize("text", ["", "[]", '{"outputs": [{"path": "../x", "sha256": 1}], "views": [1]}', "\0"])
def test_under_a_strange_manifest_no_file_is_taken_for_a_run_s_own(path, text):
    (path / "run.json").write_text(text)
    before = contents(path)
    with pytest.raises(UnderoakError, match=r"E306 .*a\.tif, b\.tif|E306 .*a\.tif, legend\.sld"):
        publish(path, NEW, NEW_VIEWS)
    assert contents(path) == before
    assert (path / "run.json").read_text() == text


def test_what_is_known_to_be_written_is_looked_for_before_anything_is_made(tmp_path):
    (tmp_path / "a.tif").write_text("my own")
    with (
        pytest.raises(UnderoakError, match=r"E306 .*holds a\.tif, which no run has made"),
        RunFolder(tmp_path, ["a.tif"]),
    ):
        raise AssertionError("the folder is not entered")
    assert [each.name for each in tmp_path.iterdir()] == ["a.tif"]
    with RunFolder(tmp_path, ["b.tif"]):
        pass


def test_a_link_that_leads_nowhere_is_somebody_s_own_too(tmp_path):
    (tmp_path / "a.tif").symlink_to(tmp_path / "not_there")
    with pytest.raises(UnderoakError, match="E306"):
        publish(tmp_path, {"a.tif": "new"})


def test_an_old_manifest_cannot_have_files_outside_removed(path):
    precious = path.parent / "precious.txt"
    precious.write_text("mine")
    content = json.loads((path / "run.json").read_text())
    content["outputs"].append({"path": "../precious.txt", "sha256": hashlib.sha256(b"mine").hexdigest()})
    content["views"].append({"folder": ".."})
    (path / "run.json").write_text(json.dumps(content))
    publish(path, NEW, NEW_VIEWS)
    assert precious.read_text() == "mine"


def test_folders_keep_their_rights(tmp_path):
    with RunFolder(tmp_path / "out") as held:
        stage(held.stage, {"private/finds.csv": "secret"})
        (held.stage / "private").chmod(0o700)
        held.publish()
    assert (tmp_path / "out" / "private").stat().st_mode & 0o777 == 0o700


def calls_of_a_publish(path) -> int:
    with at_call(0, die, path) as made:
        publish(path, NEW, NEW_VIEWS)
    return len(made)


def is_old_or_new(path) -> str:
    """What a reader who trusts manifests finds now, and that nothing else can be found after the next look."""
    stood = vouched(path)
    for view in (*OLD_VIEWS, *NEW_VIEWS):
        vouched(path / view)
    found = contents(path)
    if stood:
        now = "old" if found["a.tif"] == "old a" else "new"
        expected = OLD if now == "old" else NEW
        assert found.items() >= expected.items()
    else:
        assert (path / ".underoak" / "ready" / "run.json").exists()
    finish_publishing(path)
    assert vouched(path)
    assert contents(path) in ({**OLD, "notes.txt": "my own"}, {**NEW, "notes.txt": "my own"})
    if stood and now == "new":
        assert contents(path)["a.tif"] == "new a"
    for view in (*OLD_VIEWS, *NEW_VIEWS):
        assert vouched(path / view) == any(name.startswith(view) for name in contents(path))
    return contents(path)["a.tif"]


def test_killed_before_any_call_it_is_old_or_new(before, tmp_path):
    shutil.copytree(before, tmp_path / "count")
    calls = calls_of_a_publish(tmp_path / "count")
    assert calls > 60
    ends = []
    for n in range(1, calls + 1):
        path = tmp_path / f"out{n}"
        shutil.copytree(before, path)

        def killed(path=path, n=n):
            with at_call(n, die, path):
                publish(path, NEW, NEW_VIEWS)

        assert in_child(killed) == -9
        ends.append(is_old_or_new(path))
        publish(path, NEW, NEW_VIEWS)
        assert contents(path) == {**NEW, "notes.txt": "my own"}
        assert not (path / ".underoak").exists()
    assert ends == sorted(ends, reverse=True)  # old up to some call, new from there on
    assert {"old a", "new a"} == set(ends)


def test_a_disk_that_is_full_at_any_call_leaves_it_old_or_new(before, tmp_path):
    shutil.copytree(before, tmp_path / "count")
    calls = calls_of_a_publish(tmp_path / "count")
    codes = []
    for n in range(1, calls + 1):
        path = tmp_path / f"out{n}"
        shutil.copytree(before, path)
        try:
            with at_call(n, disk_full, path):
                publish(path, NEW, NEW_VIEWS)
        except UnderoakError as error:
            codes += [(error.faults[0].code, error.exit_code)]
        is_old_or_new(path)
    assert set(codes) == {("E501", 7)}
    assert len(codes) > calls / 2


def test_finishing_a_publish_may_itself_be_killed_anywhere(before, tmp_path):
    def half_done(path):
        def killed():
            with at_call(calls - 25, die, path):
                publish(path, NEW, NEW_VIEWS)

        assert in_child(killed) == -9
        assert not vouched(path)

    shutil.copytree(before, tmp_path / "count")
    calls = calls_of_a_publish(tmp_path / "count")
    for n in range(1, 25):
        path = tmp_path / f"out{n}"
        shutil.copytree(before, path)
        half_done(path)

        def killed_again(path=path, n=n):
            with at_call(n, die, path):
                finish_publishing(path)

        in_child(killed_again)
        assert is_old_or_new(path) == "new a"


def test_one_view_of_a_publish_that_was_cut_off_finishes_the_whole(before, tmp_path):
    path = tmp_path / "out"
    shutil.copytree(before, path)
    cut_off(path)
    finish_publishing(path / "one")
    assert contents(path) == {**NEW, "notes.txt": "my own"}
    assert vouched(path / "one")


def test_where_we_may_not_write_an_unfinished_publish_is_left(before, tmp_path, monkeypatch):
    path = tmp_path / "out"
    shutil.copytree(before, path)
    cut_off(path)

    def refused(*args, **kwargs):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "open", refused)
    finish_publishing(path)
    assert vouched(path)
    assert contents(path) == {**OLD, "notes.txt": "my own"}


def cut_off(path):
    """Leave new results that are ready, with no file under its final name yet."""
    with RunFolder(path) as held:
        stage(held.stage, NEW, NEW_VIEWS)
        os.replace(held.stage, held.stage.with_name("ready"))


def test_a_reader_waits_for_a_run_that_is_just_publishing(path):
    cut_off(path)
    inside, done = os.pipe()

    def slow():
        held = folders._lock_of(path)
        held.take()
        os.write(done, b"x")
        time.sleep(0.3)
        folders._finish(path)
        held.release()

    child = os.fork()
    if child == 0:
        slow()
        os._exit(0)
    os.read(inside, 1)
    assert vouched(path)
    finish_publishing(path)
    assert contents(path) == {**NEW, "notes.txt": "my own"}
    assert os.waitpid(child, 0)[1] == 0


def test_a_reader_does_not_wait_for_ever(path, monkeypatch):
    monkeypatch.setattr(folders, "_PATIENCE_SECONDS", 0.2)
    cut_off(path)
    held = folders._lock_of(path)
    held.take()
    with pytest.raises(UnderoakError) as caught:
        finish_publishing(path)
    assert caught.value.faults[0].code == "E605"
    held.release()


def test_everything_is_on_disk_before_it_counts_and_manifests_come_last(path, monkeypatch):
    order = []
    fsync, replace = os.fsync, os.replace

    def synced(handle):
        order.append(("sync", os.readlink(f"/proc/self/fd/{handle}").replace(str(path), "out")))
        fsync(handle)

    def renamed(start, end):
        order.append(("name", str(end).replace(str(path), "out")))
        replace(start, end)

    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(os, "replace", renamed)
    publish(path, NEW, NEW_VIEWS)
    commit = order.index(("name", "out/.underoak/ready"))
    before = {name for what, name in order[:commit] if what == "sync"}
    made = [*NEW, "run.json", "one/run.json", "three/run.json", "one", "three"]
    assert before >= {f"out/.underoak/new/{name}" for name in made} | {"out/.underoak/new", "out/.underoak", "out"}
    after = order[commit + 1 :]
    assert after[0] == ("sync", "out/.underoak")
    aside = after.index(("name", "out/.underoak/ready/.old/run.json"))
    first = min(at for at, (what, name) in enumerate(after) if what == "name" and "/.underoak" not in name)
    assert ("sync", "out") in after[aside:first]
    names = [name for what, name in after if what == "name" and "/.underoak" not in name]
    assert sorted(names[-3:-1]) == ["out/one/run.json", "out/three/run.json"]
    assert names[-1] == "out/run.json"
    last = after.index(("name", "out/legend.sld"))
    assert {"out", "out/one", "out/three"} <= {name for what, name in after[last:] if what == "sync"}
    assert after[-1] == ("sync", "out")


def test_a_stage_that_was_left_behind_is_not_published(path):
    def killed():
        held = RunFolder(path)
        held.__enter__()
        stage(held.stage, {"junk.tif": "half"})
        die()

    assert in_child(killed) == -9
    publish(path, NEW, NEW_VIEWS)
    assert contents(path) == {**NEW, "notes.txt": "my own"}


def test_a_failure_while_files_are_made_leaves_the_old_results(path):
    def fails():
        with RunFolder(path) as held:
            stage(held.stage, NEW, NEW_VIEWS)
            raise ValueError("bad")

    with pytest.raises(ValueError, match="bad"):
        fails()
    assert contents(path) == {**OLD, "notes.txt": "my own"}
    assert vouched(path)
    assert not (path / ".underoak").exists()
