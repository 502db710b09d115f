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
    return "made"


@pytest.fixture(params=["forked", "started"])
def way(request, monkeypatch):
    monkeypatch.setattr(reader_process, "_may_fork", lambda: request.param == "forked")
    return request.param


def test_what_a_child_makes_or_raises_comes_back(way, capfd):
    with ReaderProcess() as reader:
        made, pid = reader.make(doubled, np.arange(300_000))
        assert pid != os.getpid()
        assert np.array_equal(made, np.arange(300_000) * 2)
        with pytest.raises(UnderoakError, match="E201 dem: no CRS") as caught:
            reader.make(refused)
        assert caught.value.faults == (Fault("E201", "no CRS", "dem", "add one"),)
        with pytest.raises(RuntimeError, match="ZeroDivisionError") as bug:
            reader.make(wrong)
        assert str(bug.value) == "ZeroDivisionError: of ours"
        assert "in wrong" in bug.value.__notes__[0]
        assert reader.make(printing) == "made"
    assert "decoder remarks" not in capfd.readouterr().err


@pytest.mark.parametrize(
    ("work", "why"), [(crash, r"rows 0\+64, columns 64\+64 ended .*SIGSEGV"), (exits, "its header ended .*exit code 7")]
)
def test_a_crash_is_told_with_the_file_and_the_place_in_it(way, work, why):
    with ReaderProcess() as reader:
        with pytest.raises(UnderoakError, match=rf"E232 soil_ph \(ph.tif\): reading {why}.*Fix: ") as caught:
            reader.make(work)
        assert caught.value.exit_code == 4


def test_a_child_that_stands_still_in_a_file_is_ended(way, monkeypatch):
    monkeypatch.setattr(reader_process, "LIMIT_SECONDS", 3.0)
    began, before = time.monotonic(), children()
    with ReaderProcess() as reader, pytest.raises(UnderoakError, match=r"E232 soil_ph \(ph.tif\): .*within 3 s"):
        reader.make(stop)
    assert time.monotonic() - began < 10.0
    assert children() == before  # none is left behind


def test_a_crash_outside_any_file_accuses_none(way):
    with ReaderProcess() as reader, pytest.raises(RuntimeError, match=r"outside any of them .*SIGSEGV"):
        reader.make(crash_elsewhere)


def test_other_threads_are_never_forked():
    going = threading.Event()
    thread = threading.Thread(target=going.wait)
    thread.start()
    assert not reader_process._may_fork()
    going.set()
    thread.join()
    alone = "from underoak.engine import child; print(child._may_fork())"  # where no other test has left a thread
    said = subprocess.run([sys.executable, "-c", alone], capture_output=True, text=True, check=True).stdout
    assert said.strip() == str(sys.platform == "linux")


def no_process():
    raise BlockingIOError("no more processes")


def test_where_no_process_can_be_started_files_are_read_all_the_same(monkeypatch):
    monkeypatch.setattr(reader_process, "_may_fork", lambda: True)
    monkeypatch.setattr(os, "fork", no_process)
    with ReaderProcess() as reader:
        assert reader.make(doubled, 4) == (8, os.getpid())


@pytest.mark.parametrize("processes", [True, False])
def test_the_parent_works_meanwhile(way, processes, monkeypatch):
    if not processes:
        monkeypatch.setattr(reader_process.ReaderProcess, "_start", lambda *_: os.fork())
        monkeypatch.setattr(reader_process, "_may_fork", lambda: False)
        monkeypatch.setattr(os, "fork", no_process)
    done = []
    with ReaderProcess() as reader:
        made, pid = reader.make(doubled, 4, meanwhile=lambda: done.append(os.getpid()))
    assert made == 8
    assert done == [os.getpid()]  # once, and here
    assert (pid == os.getpid()) is not processes


def test_no_child_is_left_when_the_parent_fails_meanwhile(way):
    before = children()
    with pytest.raises(ZeroDivisionError), ReaderProcess() as reader:
        reader.make(doubled, 4, meanwhile=wrong)
    assert children() == before


def test_a_thread_that_hangs_in_a_file_does_not_hold_the_run(monkeypatch):
    going = threading.Event()

    def do_tile(work, window):
        if window.row:
            with watch_read("rows 1024+512, columns 0+512", "soil_ph (ph.tif)"):
                going.wait()
        return window

    monkeypatch.setattr(pool, "do_tile", do_tile)
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
        from underoak.engine import pool
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
