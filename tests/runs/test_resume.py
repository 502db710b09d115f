"""A stopped run's tiles are gone on with when nothing has changed, and never otherwise; nothing is lost unsaid."""

import contextlib
import fcntl
import json
import os
import pty
import resource
import shutil
import signal
import subprocess
import sys
import termios
import threading
import time

import numpy as np
import pytest
import rasterio
import yaml
from click.testing import CliRunner

import underoak as uo
from underoak.base.errors import Fault, UnderoakError
from underoak.cli import main
from underoak.engine.storage import disk, resume
from underoak.engine.workers import pool

from crash import die, in_child
from noise import noise_country
from strip import TILES, Listener, go, kept_tiles, result


@pytest.fixture(scope="module")
def undisturbed(land, tmp_path_factory):
    plan, folder = land
    out = tmp_path_factory.mktemp("undisturbed")
    go(plan, folder, out)
    return out


@pytest.fixture(scope="module")
def after_two(land, undisturbed, tmp_path_factory):
    """A run folder in which a run was killed after two tiles; compiled code is there already."""
    out = tmp_path_factory.mktemp("killed") / "out"
    assert in_child(lambda: go(*land, out, workers=1, progress=Listener(2, die))) == -9
    assert kept_tiles(out) == 2
    return out


@pytest.fixture
def stopped(after_two, tmp_path):
    return shutil.copytree(after_two, tmp_path / "out")


def faults(plan, base, out, **options):
    with pytest.raises(UnderoakError) as caught:
        go(plan, base, out, **options)
    return caught.value.faults


@pytest.mark.parametrize("resume", [None, True])
def test_only_missing_tiles_are_judged_and_counted(land, undisturbed, stopped, resume):
    listener = Listener()
    run = go(*land, stopped, resume=resume, progress=listener)
    assert listener.tiles == TILES - 2
    assert "Resuming a stopped run: 2 of 5 tiles done. --fresh starts over." in listener.heard
    assert result(stopped) == result(undisturbed)
    assert run.manifest.when.tiles_kept == 2
    assert not (stopped / ".underoak").exists()


def test_a_changed_plan_is_refused_by_resume_and_named(land, stopped):
    plan, folder = land
    edited = {**plan, "weights": {"direct": {**plan["weights"]["direct"], "ph": 0.5}}}
    found = faults(edited, folder, stopped, resume=True)
    assert {f.code for f in found} == {"E602"}
    assert any("weights.direct.ph was 0.4, is 0.5" in f.what for f in found)
    assert kept_tiles(stopped) == 2


def test_without_resume_a_changed_plan_starts_over_and_the_old_tiles_wait(land, undisturbed, stopped):
    plan, folder = land
    listener = Listener()
    go({**plan, "title": "another"}, folder, stopped, progress=listener)
    assert listener.tiles == TILES
    warning = next(text for text in listener.heard if text.startswith("W606"))
    assert 'title was "white noise", is "another"' in warning
    assert "--fresh" in warning
    assert kept_tiles(stopped) == 2
    listener = Listener()
    go(plan, folder, stopped, progress=listener)  # the change is taken back
    assert listener.tiles == TILES - 2
    assert result(stopped) == result(undisturbed)


def test_strict_stops_at_tiles_that_cannot_be_used(land, stopped):
    plan, folder = land
    # some parcels overlap, and strict would stop at that
    without = {key: part for key, part in plan.items() if key != "parcels"} | {"purpose": "region"}
    found = faults(without, folder, stopped, strict=True)
    assert [f.code for f in found] == ["W606"]
    assert kept_tiles(stopped) == 2


def test_fresh_throws_all_kept_tiles_away_and_says_so(land, undisturbed, stopped):
    listener = Listener()
    go(*land, stopped, resume=False, progress=listener)
    assert listener.tiles == TILES
    assert "Deleted the tiles of 1 stopped run." in listener.heard
    assert result(stopped) == result(undisturbed)
    assert not (stopped / ".underoak").exists()


def test_resume_with_nothing_to_go_on_from_starts_and_says_so(land, tmp_path):
    listener = Listener()
    go(*land, tmp_path / "out", resume=True, progress=listener)
    assert listener.tiles == TILES
    assert "There are no tiles of a stopped run here: starting from the beginning." in listener.heard


def test_a_changed_input_is_refused_by_its_name_and_a_mere_copy_of_it_is_not(land, undisturbed, stopped, tmp_path):
    plan, folder = land
    moved = shutil.copytree(folder, tmp_path / "moved")  # other times of change, another place
    with rasterio.open(moved / "ph.tif", "r+") as ph:
        cells = ph.read(1)
        ph.write(np.where(cells == 70, 71, cells).astype(cells.dtype), 1)
    found = faults(plan, moved, stopped, resume=True)
    assert [(f.code, f.where) for f in found] == [("E602", "ph.tif")]
    shutil.copyfile(folder / "ph.tif", moved / "ph.tif")
    listener = Listener()
    go(plan, moved, stopped, resume=True, progress=listener)
    assert listener.tiles == TILES - 2
    assert result(stopped)[0] == result(undisturbed)[0]


def test_other_software_is_refused_by_its_name(land, stopped, monkeypatch):
    from underoak.engine.storage import identity

    true = identity.software()
    monkeypatch.setattr(identity, "software", lambda: {**true, "numpy": "99.0"})
    found = faults(*land, stopped, resume=True)
    assert [(f.code, f.where) for f in found] == [("E602", "software")]
    assert f'numpy was "{true["numpy"]}", is "99.0"' in found[0].what


def test_tiles_of_another_processor_are_used_with_a_warning(land, undisturbed, stopped, monkeypatch):
    monkeypatch.setattr(resume, "processor_name", lambda: "another kind")
    listener = Listener()
    go(*land, stopped, progress=listener)
    assert any(text.startswith("W602") and "last digits may differ" in text for text in listener.heard)
    assert result(stopped) == result(undisturbed)


@pytest.mark.parametrize("name", ["blocks.bin", "journal.txt"])
@pytest.mark.parametrize("share", [0.02, 0.6, 0.97])
def test_a_damaged_spool_still_ends_in_the_same_bytes(land, undisturbed, stopped, name, share):
    path = next((stopped / ".underoak" / "spool").glob(f"*/{name}"))
    content = bytearray(path.read_bytes())
    content[int(share * len(content))] ^= 4
    path.write_bytes(content)
    listener = Listener()
    go(*land, stopped, resume=True, progress=listener)
    assert listener.tiles > TILES - 2
    assert any("damaged: judged again" in text for text in listener.heard)
    assert result(stopped) == result(undisturbed)


def test_a_fault_in_a_tile_keeps_the_tiles_that_are_done(land, undisturbed, tmp_path, monkeypatch):
    true, calls, flying = pool.judge_tile, [], threading.Event()

    def breaks(work, window):
        calls.append(window)
        if len(calls) == 3:
            assert flying.wait(20)
            raise UnderoakError(Fault("E230", "cannot be read there", "elevation (dem.tif)", "look at the disk"))
        if len(calls) == 4:
            flying.set()
            time.sleep(0.1)
        return true(work, window)

    listener = Listener()
    with monkeypatch.context() as patch:
        patch.setattr(pool, "judge_tile", breaks)
        assert faults(*land, tmp_path / "out", progress=listener)[0].code == "E230"
    kept = kept_tiles(tmp_path / "out")
    assert 3 <= kept < TILES  # with what was in flight
    assert f"Saved: {kept} of 5 tiles. Run again with --resume to continue." in listener.heard
    assert not (tmp_path / "out" / "run.json").exists()
    listener = Listener()
    go(*land, tmp_path / "out", resume=True, progress=listener)
    assert listener.tiles == TILES - kept
    assert result(tmp_path / "out") == result(undisturbed)


def test_a_fault_of_the_plan_itself_keeps_no_tiles(land, tmp_path):
    plan, folder = land
    blank = {**plan, "layers": {**plan["layers"], "cover": {**plan["layers"]["cover"], "valid": [200, 210]}}}
    found = faults(blank, folder, tmp_path / "out")
    assert found[0].code in ("E204", "E250", "E210")
    assert kept_tiles(tmp_path / "out") == 0


@pytest.mark.parametrize("name", ["dem.tif", "fields.gpkg"])
def test_an_input_that_is_written_to_stops_the_run_and_nothing_is_published(land, tmp_path, name):
    plan, folder = land
    here = shutil.copytree(folder, tmp_path / "here")
    go(plan, here, tmp_path / "out")
    before = result(tmp_path / "out")

    def touched():
        with open(here / name, "ab") as file:
            file.write(b"\0")

    found = faults({**plan, "title": "another"}, here, tmp_path / "out", progress=Listener(3, touched))
    assert [(f.code, os.path.basename(f.where)) for f in found] == [("E601", name)]
    assert result(tmp_path / "out") == before
    assert kept_tiles(tmp_path / "out") == 0  # they may be of two versions of the file


def test_cases_of_a_killed_run_come_to_the_same_bytes(tmp_path_factory, tmp_path):
    folder = tmp_path_factory.mktemp("views")
    plan = noise_country(folder, 1100, 300, parcels=24)
    plan["scenarios"] = [{"name": "later", "family": "m1", "replace": {"cover": "cover.tif"}}]
    go(plan, folder, tmp_path / "whole")
    assert in_child(lambda: go(plan, folder, tmp_path / "out", workers=1, progress=Listener(1, die))) == -9
    assert kept_tiles(tmp_path / "out") == 1
    go(plan, folder, tmp_path / "out", resume=True)
    for inner in ("present", "scenarios/later"):
        assert result(tmp_path / "out" / inner) == result(tmp_path / "whole" / inner)


def test_too_little_room_is_told_before_computing(land, undisturbed, stopped, monkeypatch):
    listener = Listener()
    monkeypatch.setattr(disk, "free_bytes", lambda folder: 100_000.0)
    fault = faults(*land, stopped, progress=listener)[0]
    assert (fault.code, fault.exit_code) == ("E501", 7)
    assert "MB are needed and 0 MB are free" in fault.what
    assert listener.tiles == 0
    assert kept_tiles(stopped) == 2
    monkeypatch.setattr(disk, "free_bytes", lambda folder: 5_000_000.0)
    listener = Listener()
    go(*land, stopped, progress=listener)
    assert any(text.startswith("W501") for text in listener.heard)
    assert result(stopped) == result(undisturbed)


# --- the command line, in processes of their own


@pytest.fixture
def written(land):
    plan, folder = land
    (folder / "plan.yaml").write_text(yaml.safe_dump(plan, sort_keys=False), encoding="utf-8")
    return folder / "plan.yaml"


def command(*arguments, **options):
    return subprocess.Popen(
        [sys.executable, "-m", "underoak", "run", *map(str, arguments), "--progress", "plain"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **options,
    )  # fmt: skip


@pytest.mark.parametrize(("signum", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_a_signal_ends_the_command_in_good_order_and_resume_goes_on(written, undisturbed, tmp_path, signum, code):
    log = tmp_path / "log"
    log.touch()
    process = command(written, "--out", tmp_path / "out", "--workers", 1, "--log-json", log)
    until = time.monotonic() + 60
    while '"tile_done"' not in log.read_text() and time.monotonic() < until:
        time.sleep(0.005)
    began = time.monotonic()
    process.send_signal(signum)
    _, told = process.communicate(timeout=30)
    assert time.monotonic() - began < 5.5
    assert process.returncode == code, told
    assert "Run again with --resume to continue" in told
    assert "No result file is incomplete" in told
    kept = kept_tiles(tmp_path / "out")
    assert 1 <= kept < TILES
    assert [p.name for p in (tmp_path / "out").iterdir()] == [".underoak"]
    assert f'"exit": {code}' in log.read_text()
    ended = CliRunner().invoke(main, ["run", str(written), "--out", str(tmp_path / "out"), "--resume"])
    assert ended.exit_code == 0, ended.output
    assert f"Resuming a stopped run: {kept} of 5 tiles" in ended.stderr
    assert result(tmp_path / "out")[0] == result(undisturbed)[0]


def test_on_a_terminal_two_signals_end_it_at_once_and_give_the_cursor_back(written, tmp_path):
    leader, terminal = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "underoak", "run", str(written), "--out", str(tmp_path / "out"), "--workers", "1"],
        stdin=terminal, stdout=terminal, stderr=terminal, start_new_session=True,
        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
    )  # fmt: skip
    os.close(terminal)
    shown = b""
    while b"judging" not in shown:
        shown += os.read(leader, 4096)
    os.write(leader, b"\x03")
    while b"Ctrl-C again" not in shown:
        shown += os.read(leader, 4096)
    os.write(leader, b"\x03")
    began = time.monotonic()
    with contextlib.suppress(OSError):  # the other side has hung up
        while more := os.read(leader, 4096):
            shown += more
    assert process.wait(20) == 130
    assert time.monotonic() - began < 2
    assert b"Traceback" not in shown
    assert shown.rfind(b"\x1b[?25h") > shown.rfind(b"\x1b[?25l") > 0
    os.close(leader)


def test_resume_and_fresh_together_are_a_mistake(written):
    ended = CliRunner().invoke(main, ["run", str(written), "--resume", "--fresh"])
    assert ended.exit_code == 2
    assert "give only one of them" in ended.stderr


def starved(written, undisturbed, out, limits):
    """A run in a process with limits, which must tell of the disk; then one without, which must end as ever."""
    process = command(written, "--out", out, preexec_fn=limits)
    _, told = process.communicate(timeout=60)
    assert process.returncode == 7, told
    assert "E501" in told
    assert "Traceback" not in told
    assert not (out / "run.json").exists()
    assert not list(out.glob("*.tif"))


def test_a_limit_on_file_size_is_told_as_a_full_disk(written, undisturbed, tmp_path):
    out = tmp_path / "out"
    limit = 1_000_000
    starved(written, undisturbed, out, lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit)))
    kept, listener = kept_tiles(out), Listener()
    uo.run(uo.load_plan(written), out=out, resume=True, progress=listener)
    assert listener.tiles == TILES - kept
    assert result(out)[0] == result(undisturbed)[0]


@pytest.fixture
def small_disk(tmp_path):
    """A file system of its own with little room; skipped where mounting is not for us."""
    place = tmp_path / "disk"
    place.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=5m", "tmpfs", str(place)], capture_output=True, check=False
    )
    if made.returncode:
        pytest.skip("no leave to mount a small disk")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_on_a_disk_that_is_truly_full_tiles_are_kept_and_more_room_brings_the_rest(written, undisturbed, small_disk):
    out = small_disk / "out"
    starved(written, undisturbed, out, None)
    kept, listener = kept_tiles(out), Listener()
    assert kept > 0
    subprocess.run(["mount", "-o", "remount,size=200m", str(small_disk)], check=True)
    uo.run(uo.load_plan(written), out=out, resume=True, progress=listener)
    assert listener.tiles == TILES - kept
    assert result(out)[0] == result(undisturbed)[0]


@pytest.mark.parametrize(
    "surroundings",
    [
        {"TZ": "Pacific/Chatham", "LC_ALL": "de_DE.UTF-8", "LANG": "de_DE.UTF-8", "PYTHONHASHSEED": "1"},
        {"TZ": "America/St_Johns", "LC_ALL": "tr_TR.UTF-8", "PYTHONHASHSEED": "4242", "OMP_NUM_THREADS": "1"},
    ],
    ids=["german", "turkish"],
)
def test_zone_language_hash_seed_and_threads_change_no_byte(written, undisturbed, tmp_path, surroundings):
    process = command(written, "--out", tmp_path / "out", "--workers", 3, env={**os.environ, **surroundings})
    _, told = process.communicate(timeout=60)
    assert process.returncode == 0, told
    ours, theirs = result(tmp_path / "out"), result(undisturbed)
    assert ours[0] == theirs[0]
    with contextlib.suppress(KeyError):
        ours[1]["inputs"] = [made for made in ours[1]["inputs"] if made["path"] != "plan.yaml"]
    assert json.dumps(ours[1], sort_keys=True) == json.dumps(theirs[1], sort_keys=True)
