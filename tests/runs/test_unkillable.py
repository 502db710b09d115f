"""A run may be killed at any moment, or the disk be full at any: what counts is old or new, never mixed, finished tiles
are not judged twice, and the end is the same bytes as if nothing had happened."""

import errno
import hashlib
import json
import math
import os
import random
import shutil
import signal
import subprocess
import time

import pytest

import underoak as uo
from underoak.base.errors import UnderoakError
from underoak.engine.storage.run_folder import finish_publishing
from underoak.runs import results

import strip
from crash import at_call, die, disk_full, in_child
from strip import TILES, Listener, kept_tiles, result

KILLS = 50


@pytest.fixture(scope="module")
def land(tmp_path_factory):
    """A new plan, and an old one."""
    folder = tmp_path_factory.mktemp("strip")
    plan = strip.strip(folder)
    return plan, {**plan, "title": "the old plan", "weights": {"ranked": [*plan["criteria"]]}}, folder


@pytest.fixture(scope="module")
def undisturbed(land, tmp_path_factory):
    """What the new plan comes to when nothing happens, and how long that takes once everything is compiled."""
    plan, old, folder = land
    out = tmp_path_factory.mktemp("undisturbed")
    strip.go(old, folder, out / "old")
    strip.go(plan, folder, out / "new")
    picture = (out / "new" / "map.png").read_bytes()
    with pytest.MonkeyPatch.context() as patch:
        # runs read their files themselves: starting a process for it would be most of the work of this module, and what
        # becomes of that process when a run is killed is looked at in test_reader_process
        patch.setattr(subprocess, "Popen", no_process)
        # most of the time of so small a run goes into its picture, which is looked at elsewhere
        patch.setattr(results, "map_png", lambda *args, **kwargs: picture)
        (out / "old" / "map.png").write_bytes(picture)
        began = time.monotonic()
        assert in_child(lambda: go(land, out / "again")) == 0
        seconds = time.monotonic() - began
        assert result(out / "again") == result(out / "new")
        yield out, result(out / "new"), seconds


@pytest.fixture
def out(undisturbed, tmp_path):
    """A run folder with the complete results of the old plan."""
    shutil.copytree(undisturbed[0] / "old", tmp_path / "out")
    (tmp_path / "out" / "map.png").write_bytes((undisturbed[0] / "new" / "map.png").read_bytes())
    manifest = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    for made in manifest["outputs"]:
        if made["path"] == "map.png":
            made["sha256"] = hashlib.sha256((tmp_path / "out" / "map.png").read_bytes()).hexdigest()
    (tmp_path / "out" / "run.json").write_text(json.dumps(manifest))
    return tmp_path / "out"


def no_process(*args, **kwargs):
    raise OSError(errno.EAGAIN, os.strerror(errno.EAGAIN))


def go(land, out, **options):
    return strip.go(land[0], land[2], out, **options)


def vouched(folder):
    """Whose results stand in a folder; every file its manifest names must be as it says."""
    if not (folder / "run.json").exists():
        assert (folder / ".underoak" / "ready" / "run.json").exists(), "no manifest, and nobody will bring one"
        return "neither"
    manifest = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    for made in manifest["outputs"] + manifest["when"]["outputs"]:
        assert hashlib.sha256((folder / made["path"]).read_bytes()).hexdigest() == made["sha256"], made["path"]
    return "old" if manifest["plan"]["title"] == "the old plan" else "new"


def test_killed_at_fifty_moments_it_is_old_or_new_and_ends_in_the_same_bytes(land, undisturbed, out):
    """Each run goes on where the one before was killed; when one comes to its end, the next begins anew."""
    _, expected, seconds = undisturbed
    first = shutil.copytree(out, out.with_name("first"))
    dice, kills, ends, hit = random.Random(8), 0, 0, set()
    while kills < KILLS or ends < 6:
        delay = math.sqrt(dice.uniform(0.0, 1.0)) * seconds if kills < KILLS else 120.0
        child = os.fork()
        if child == 0:
            try:
                go(land, out, tile=dice.choice([1024, 2048]))
            finally:
                os._exit(0 if (out / "run.json").exists() else 1)
        status = ended(child, delay)
        stands = vouched(out)
        if status == -signal.SIGKILL:
            kills, seconds = kills + 1, seconds * 1.03
            hit.add((stands, kept_tiles(out)))
            continue
        assert (status, stands) == (0, "new")
        assert result(out) == expected
        assert not (out / ".underoak").exists()
        ends, seconds = ends + 1, max(seconds * 0.85, 0.3)  # so that most are killed, on a busy machine too
        shutil.rmtree(out)
        shutil.copytree(first, out)
    assert len({tiles for _, tiles in hit}) >= 4, hit


def ended(child, seconds):
    """How a child ended; killed if that takes longer."""
    until = time.monotonic() + seconds
    while True:
        pid, status = os.waitpid(child, os.WNOHANG)
        if pid:
            return os.waitstatus_to_exitcode(status)
        if time.monotonic() > until:
            os.kill(child, signal.SIGKILL)
            return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        time.sleep(0.002)


@pytest.fixture
def judged(land, undisturbed, out, tmp_path):
    """The same folder, with a run killed when its last tile was done."""
    assert in_child(lambda: go(land, out, progress=Listener(TILES, die))) == -9
    assert kept_tiles(out) == TILES
    return out


def test_killed_while_files_are_written_and_published_it_is_old_or_new(land, undisturbed, judged, tmp_path):
    shutil.copytree(judged, tmp_path / "count")

    def counted():  # in a process as those that are killed: reading makes other calls where threads are about
        with at_call(0, die, tmp_path / "count") as calls:
            go(land, tmp_path / "count")
        (tmp_path / "calls.json").write_text(json.dumps(calls), encoding="utf-8")

    assert in_child(counted) == 0
    made = json.loads((tmp_path / "calls.json").read_text(encoding="utf-8"))
    last = max(at for at, name in enumerate(made) if name == "open")
    commit = made.index("replace", last) + 1  # the call that makes the new results count
    found = []
    for n in [*range(40, commit, commit // 6), *range(commit - 1, len(made) + 1, 3)]:
        out = tmp_path / f"out{n}"
        shutil.copytree(judged, out)

        def killed(out=out, n=n):
            with at_call(n, die, out):
                go(land, out)

        assert in_child(killed) == -9
        found.append(vouched(out))
        if found[-1] == "neither":
            assert uo.Run.open(out).manifest.title == "white noise"
        finish_publishing(out)
        assert vouched(out) == ("old" if n <= commit else "new")
        if len(found) % 4 == 0:
            go(land, out, resume=True)
            assert result(out) == undisturbed[1]
            assert not (out / ".underoak").exists()
    assert set(found) == {"old", "neither", "new"}


def test_a_full_disk_at_any_call_is_told_and_the_run_ends_in_the_same_bytes(land, undisturbed, out):
    with at_call(0, die, out.with_name("count")) as made:
        go(land, out.with_name("count"))
    moments = sorted({1, 3, 8, 14, *random.Random(3).sample(range(15, len(made)), 5)})
    shutil.copytree(out, out.with_name("first"))
    told = []
    for n in moments:
        shutil.rmtree(out)
        shutil.copytree(out.with_name("first"), out)
        try:
            with at_call(n, disk_full, out):
                go(land, out)
        except UnderoakError as error:
            told += [(fault.code, fault.what, fault.exit_code) for fault in error.faults]
        vouched(out)
        kept, listener = kept_tiles(out), Listener()
        go(land, out, resume=True, progress=listener)
        assert result(out) == undisturbed[1]
        assert listener.tiles == TILES - kept
    assert set(told) == {("E501", "the disk is full", 7)}
    assert len(told) > len(moments) / 2  # some calls are not needed
