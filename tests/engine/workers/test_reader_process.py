"""A file that crashes its decoder, or makes it hang, is refused by its name (E232), and takes nothing else with it."""

from __future__ import annotations

import ctypes
import faulthandler
import json
import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from pathlib import Path

import numpy as np
import psutil
import pytest
import yaml

from underoak.base.errors import Fault, UnderoakError
from underoak.base.grid import Window
from underoak.engine.workers import pool, reader_process
from underoak.engine.workers.reader_process import ReaderProcess
from underoak.layers.formats import read_watch
from underoak.layers.formats.read_watch import watch_read

from crash import in_child
from noise import small_country


def children():
    """The processes that this one has started and that are not gone, those of other tests among them."""
    return {process.pid for process in psutil.Process().children()}


def doubled(values):
    with watch_read("its header", "soil_ph (ph.tif)"):
        return values * 2, os.getpid()


def refused():
    raise UnderoakError(Fault("E201", "no CRS", "dem", "add one"))


def wrong():
    raise ZeroDivisionError("of ours")


def segfault():
    faulthandler.disable()  # pytest's, which would tell of it at length
    ctypes.string_at(0)


def crash():
    with watch_read("its header", "clay (clay.tif)"):
        pass
    with watch_read("rows 0+64, columns 64+64", "soil_ph (ph.tif)"):
        segfault()


def exits():
    with watch_read("its header", "soil_ph (ph.tif)"):
        os._exit(7)


def stop():
    with watch_read("its header", "soil_ph (ph.tif)"):
        os.kill(os.getpid(), signal.SIGSTOP)


def crash_elsewhere():
    segfault()


def printing():
    print("a library talks")
    os.write(2, b"a decoder remarks\n")
    return "printed"


def pid():
    return os.getpid()


def place():
    return os.getpid(), os.getcwd()


def both():
    """Read two files; what one of them raises is collected, as opening layers does."""
    faults = []
    for where, read in (("soil_ph (ph.tif)", segfault), ("clay (clay.tif)", lambda: None)):
        try:
            with watch_read("its header", where):
                read()
        except UnderoakError as error:
            faults += error.faults
    return faults, os.getpid()


def modules():
    return sorted(sys.modules)


def test_results_and_faults_come_back_and_one_process_serves_all_jobs(capfd):
    with ReaderProcess() as reader:
        doubled_values, first = reader.call(doubled, np.arange(300_000))
        assert first != os.getpid()
        assert np.array_equal(doubled_values, np.arange(300_000) * 2)
        with pytest.raises(UnderoakError, match="E201 dem: no CRS") as caught:
            reader.call(refused)
        assert caught.value.faults == (Fault("E201", "no CRS", "dem", "add one"),)
        assert reader.call(pid) == first
        with pytest.raises(RuntimeError, match="ZeroDivisionError") as bug:
            reader.call(wrong)
        assert str(bug.value) == "ZeroDivisionError: of ours"
        assert "in wrong" in bug.value.__notes__[0]
        assert reader.call(printing) == "printed"
    assert "decoder remarks" not in capfd.readouterr().err


@pytest.mark.parametrize(
    ("work", "why"), [(crash, r"rows 0\+64, columns 64\+64 ended .*SIGSEGV"), (exits, "its header ended .*exit code 7")]
)
def test_a_crash_is_told_with_the_file_and_the_place_in_it(work, why):
    with ReaderProcess() as reader:
        with pytest.raises(UnderoakError, match=rf"E232 soil_ph \(ph.tif\): reading {why}.*Fix: ") as caught:
            reader.call(work)
        assert caught.value.exit_code == 4


def test_after_a_crash_a_new_process_does_the_rest():
    with ReaderProcess() as reader:
        first = reader.call(pid)
        faults, second = reader.call(both)
        assert [(fault.code, fault.where) for fault in faults] == [("E232", "soil_ph (ph.tif)")]
        assert second not in (first, os.getpid())
        assert reader.call(pid) == second


def test_a_process_that_stands_still_in_a_file_is_ended(monkeypatch):
    with ReaderProcess() as reader:
        hung = reader.call(pid)
        monkeypatch.setattr(reader_process, "LIMIT_SECONDS", 2.0)
        with pytest.raises(UnderoakError, match=r"E232 soil_ph \(ph.tif\): .*within 2 s"):
            reader.call(stop)
    assert hung not in children()


def test_a_crash_outside_any_file_accuses_none():
    with ReaderProcess() as reader, pytest.raises(RuntimeError, match=r"while it read no file .*SIGSEGV"):
        reader.call(crash_elsewhere)


def test_beside_other_threads_it_works_without_a_warning(recwarn):
    going = threading.Event()
    thread = threading.Thread(target=going.wait)
    thread.start()
    with ReaderProcess() as reader:
        assert reader.call(doubled, 4)[0] == 8
    going.set()
    thread.join()
    assert not recwarn.list


def test_a_process_started_early_is_taken_and_ends_with_us():
    script = """
import os, sys, time, psutil
from underoak.engine.workers import reader_process
from underoak.base.errors import Fault
reader_process.start_early()
(early,) = psutil.Process().children()
with reader_process.ReaderProcess() as reader:
    assert reader.call(os.getpid) == early.pid
reader_process.start_early()
print(*[child.pid for child in psutil.Process().children()], flush=True)
os.kill(os.getpid(), 9)
"""
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.returncode == -9, done.stderr
    left = [int(each) for each in done.stdout.split()]
    assert left
    until = time.monotonic() + 60
    while any(map(psutil.pid_exists, left)) and time.monotonic() < until:
        time.sleep(0.05)
    assert not any(map(psutil.pid_exists, left))


def test_the_next_check_takes_the_same_process_unless_it_would_look_elsewhere(tmp_path, monkeypatch):
    seen = []
    for folder in (None, None, tmp_path):
        if folder is not None:
            monkeypatch.chdir(folder)
        with ReaderProcess() as reader:
            seen.append(reader.call(place))
    assert seen[0] == seen[1]
    assert seen[2][0] != seen[0][0]
    assert seen[2][1] == str(tmp_path)


def test_a_process_without_a_job_ends_by_itself_and_the_next_job_starts_another(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # where none waits from an earlier check
    monkeypatch.setenv("UNDEROAK_READER_SECONDS", "0.2")
    with ReaderProcess() as reader:
        first = psutil.Process(reader.call(pid))
    first.wait(timeout=60)
    with ReaderProcess() as reader:
        assert reader.call(pid) not in (first.pid, os.getpid())


def test_a_fork_leaves_the_process_of_its_parent_alone():
    with ReaderProcess() as reader:
        mine = reader.call(pid)

    def other():
        with ReaderProcess() as reader:
            assert reader.call(pid) != mine

    assert in_child(other) == 0
    assert psutil.pid_exists(mine)


def test_a_process_at_work_ends_with_its_parent_too():
    script = """
import os, threading, time, psutil
from underoak.engine.workers.reader_process import ReaderProcess
def dies():
    print(*[child.pid for child in psutil.Process().children()], flush=True)
    os.kill(os.getpid(), 9)
ReaderProcess().call(time.sleep, 300, meanwhile=dies)
"""
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    (left,) = map(int, done.stdout.split())
    until = time.monotonic() + 60
    while psutil.pid_exists(left) and time.monotonic() < until:
        time.sleep(0.05)
    assert not psutil.pid_exists(left)


def test_the_process_imports_no_more_than_reading_takes(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # where none waits from an earlier check
    with ReaderProcess() as reader:
        loaded = set(reader.call(modules))
    heavy = {
        "pandas",
        "geopandas",
        "pyogrio",
        "matplotlib",
        "xarray",
        "h5netcdf",
        "zarr",
        "rich",
        "distributed",
    }
    assert not heavy & loaded
    assert not [name for name in loaded if name.startswith(("underoak.report", "underoak.places", "underoak.runs"))]


def no_process(*_, **__):
    raise BlockingIOError("no more processes")


def test_where_no_process_can_be_started_files_are_read_all_the_same(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # where none waits from an earlier check
    monkeypatch.setattr(subprocess, "Popen", no_process)
    done = []
    with ReaderProcess() as reader:
        assert reader.call(doubled, 4, meanwhile=lambda: done.append(os.getpid())) == (8, os.getpid())
    assert done == [os.getpid()]


def test_the_parent_works_meanwhile():
    done = []
    with ReaderProcess() as reader:
        result, other = reader.call(doubled, 4, meanwhile=lambda: done.append(os.getpid()))
    assert result == 8
    assert done == [os.getpid()]  # once, and here
    assert other != os.getpid()


def test_no_process_is_left_when_the_parent_fails_meanwhile():
    before = children()
    with pytest.raises(ZeroDivisionError), ReaderProcess() as reader:
        reader.call(doubled, 4, meanwhile=wrong)
    assert children() <= before


def test_a_thread_that_hangs_in_a_file_does_not_hold_the_run(monkeypatch):
    going = threading.Event()

    def judge_tile(work, window):
        if window.row:
            with watch_read("rows 1024+512, columns 0+512", "soil_ph (ph.tif)"):
                going.wait()
        return window

    monkeypatch.setattr(pool, "judge_tile", judge_tile)
    monkeypatch.setattr(pool, "LIMIT_SECONDS", 0.3)
    monkeypatch.setattr(pool, "_LOOK_SECONDS", 0.05)
    windows = [Window(0, 0, 1024, 1024), Window(1024, 0, 1024, 1024), Window(2048, 0, 1024, 1024)]
    results, kept = pool.Threads(2).results(None, windows), []
    with pytest.raises(UnderoakError, match=r"E232 soil_ph \(ph.tif\): reading rows 1024\+512.* within 0.3 s"):
        kept.extend(results)
    assert read_watch.overdue_read(0.1) is not None
    going.set()
    while read_watch.overdue_read(0.0) is not None:
        time.sleep(0.01)


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    folder = tmp_path_factory.mktemp("small")
    plan = small_country(folder)
    (folder / "plan.yaml").write_text(yaml.safe_dump(json.loads(json.dumps(plan))))
    return folder


def underoak(folder, decoder, *args):
    """The command, with a raster library that does at ph.tif what `decoder` does, for the process or the thread."""
    spoil = f"""
        import ctypes, os, signal, threading, time
        import rasterio
        from underoak.engine.workers import pool
        pool.LIMIT_SECONDS, pool._LOOK_SECONDS = 1.0, 0.2
        opened = rasterio.open
        def open_spoilt(name, *args, **kwargs):
            if str(name).endswith("ph.tif"):
                {decoder}
            return opened(name, *args, **kwargs)
        rasterio.open = open_spoilt
    """
    (folder / "site").mkdir(exist_ok=True)
    (folder / "site" / "sitecustomize.py").write_text(textwrap.dedent(spoil))
    command = "from underoak.cli import main; main()"
    return subprocess.run(
        [sys.executable, "-c", command, *args], cwd=folder, env=os.environ | {"PYTHONPATH": str(folder / "site")},
        capture_output=True, text=True, timeout=120,
    )  # fmt: skip


@pytest.mark.parametrize("verb", ["check", "run"])
def test_a_command_survives_a_file_that_crashes_its_decoder(small, verb):
    done = underoak(small, "ctypes.string_at(0)", verb, "plan.yaml")
    assert done.returncode == 4, done.stderr
    assert "E232 soil_ph (ph.tif): reading its header ended the process that read it (SIGSEGV)" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (small / "out").exists()


def test_a_run_ends_though_a_thread_hangs_in_a_file(small):
    hang = 'threading.current_thread().name.startswith("tile") and time.sleep(3600)'
    done = underoak(small, hang, "run", "plan.yaml", "--progress", "none")
    assert done.returncode == 4, done.stderr
    assert "E232 soil_ph (ph.tif): reading rows" in done.stderr
    assert "Traceback" not in done.stderr
    assert not [path for path in (small / "out").rglob("*.tif") if ".underoak" not in path.parts]


# --- no memory


def length_with_little_memory(values):
    """Leave this process 60 MB of its own, for what comes."""
    import resource

    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    used = next(int(line.split()[1]) for line in lines if line.startswith("VmData")) * 1024
    resource.setrlimit(resource.RLIMIT_DATA, (used + 60 * 2**20,) * 2)
    return len(values)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="a hard limit on memory of this kind is Linux's")
def test_a_process_without_memory_for_its_next_job_is_told_as_a_shortage():
    with ReaderProcess() as reader:
        assert reader.call(length_with_little_memory, b"abc") == 3
        began = time.monotonic()
        with pytest.raises(UnderoakError, match="E503 memory ran out while reading the inputs"):
            reader.call(doubled, bytes(300 * 2**20))
        assert time.monotonic() - began < 30
        assert reader.call(doubled, 2)[0] == 4  # a new process takes over


def test_an_answer_that_there_is_no_memory_for_is_told_as_a_shortage(monkeypatch):
    with ReaderProcess() as reader:
        reader.call(doubled, 1)

        def short(stream):
            raise MemoryError

        began = time.monotonic()
        monkeypatch.setattr(reader_process.pickle, "load", short)
        with pytest.raises(UnderoakError, match="E503 memory ran out"):
            reader.call(doubled, 2)  # of three answers, at least the last but one
        assert time.monotonic() - began < 30
        monkeypatch.undo()
        assert reader.call(doubled, 3)[0] == 6


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="a hard limit on memory of this kind is Linux's")
@pytest.mark.parametrize("megabytes", [60, 90, 120])
def test_a_process_without_memory_to_start_is_told_as_a_shortage(megabytes):
    """The limit is on the new process only."""
    script = f"""
        import resource
        from underoak.base.errors import UnderoakError
        from underoak.engine.workers import reader_process as one
        one._START = "import resource; resource.setrlimit(resource.RLIMIT_DATA, ({megabytes} << 20,) * 2)" + one._START
        try:
            with one.ReaderProcess() as reader:
                print(reader.call(len, b"abc"))
        except UnderoakError as error:
            print(error.faults[0].code)
    """
    done = subprocess.run([sys.executable, "-c", textwrap.dedent(script)], capture_output=True, text=True, timeout=60)
    assert done.stdout.strip() in ("E503", "3"), done.stderr[-2000:]
