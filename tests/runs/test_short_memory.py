"""Memory that runs out: judged again in smaller pieces, then told as E503 (exit 7), never as a bug; tiles are kept."""

import errno
import hashlib
import json
import sys

import numpy as np
import pytest

import underoak as uo
from underoak.base.errors import UnderoakError
from underoak.base.memory_errors import is_shortage
from underoak.engine.prepare import estimate
from underoak.engine.workers import tile as tiles
from underoak.engine.workers.reader_process import ReaderProcess
from underoak.runs import run as runs

true_judge_window = tiles.judge_window


def far_too_large():
    """Raise the numeric library's own error."""
    np.empty(2**50)


def sums(folder):
    files = (path for path in folder.iterdir() if path.suffix in (".tif", ".csv", ".gpkg"))
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def when(folder):
    return json.loads((folder / "run.json").read_text(encoding="utf-8"))["when"]


@pytest.fixture(scope="module")
def plan(country):
    given, folder = country
    return uo.load_plan(given, base=folder)


@pytest.fixture(scope="module")
def free(plan, tmp_path_factory):
    """A run that had memory enough."""
    return uo.run(plan, out=tmp_path_factory.mktemp("free"), workers=2).folder


@pytest.mark.parametrize("error", [MemoryError, lambda: RuntimeError("std::bad_alloc"), far_too_large])
def test_tiles_that_run_out_of_memory_are_judged_once_more_with_the_same_bytes(
    plan, free, tmp_path, monkeypatch, error
):
    asked = []

    def short(*args):
        asked.append(args)
        if len(asked) == 3:
            raise error() or AssertionError
        return true_judge_window(*args)

    monkeypatch.setattr(tiles, "judge_window", short)
    uo.run(plan, out=tmp_path, workers=2, tile=2048)
    assert len(asked) > 3
    assert sums(tmp_path) == sums(free)


def test_memory_that_stays_short_is_told_and_the_tiles_are_kept(plan, free, tmp_path, monkeypatch):
    asked = []

    def short(*args):
        asked.append(args)
        if len(asked) > 5:
            far_too_large()
        return true_judge_window(*args)

    monkeypatch.setattr(tiles, "judge_window", short)
    with pytest.raises(UnderoakError) as raised:
        uo.run(plan, out=tmp_path, workers=1)
    (fault,) = raised.value.faults
    assert (fault.code, fault.exit_code) == ("E503", 7)
    assert fault.where.startswith("tile of rows ")
    monkeypatch.undo()
    uo.run(plan, out=tmp_path)
    assert when(tmp_path)["tiles_kept"] >= 1
    assert sums(tmp_path) == sums(free)


def test_memory_that_runs_out_after_the_tiles_is_told(plan, tmp_path, monkeypatch):
    monkeypatch.setattr(runs, "collect_findings", lambda *_: far_too_large())
    with pytest.raises(UnderoakError, match=r"E503 memory ran out while making this run \(Unable to allocate"):
        uo.run(plan, out=tmp_path)
    assert not (tmp_path / "run.json").exists()


def test_memory_that_runs_out_in_the_reader_process_is_told():
    with ReaderProcess() as reader, pytest.raises(UnderoakError, match=r"E503 memory ran out while checking the in"):
        reader.call(far_too_large)


def test_a_limit_of_the_container_holds_without_being_asked_for(plan, tmp_path, monkeypatch):
    monkeypatch.setattr(estimate, "memory_limit", lambda: 60_000_000)
    for asked in (None, 10**12):
        with pytest.raises(UnderoakError) as raised:
            uo.run(plan, out=tmp_path / "out", memory=asked)
        (fault,) = raised.value.faults
        assert (fault.code, fault.where) == ("E503", "memory limit of the container")
        assert "60 MB are allowed" in fault.what
    with pytest.raises(UnderoakError, match=r"E503 --memory: about .* 50 MB are allowed"):
        uo.run(plan, out=tmp_path / "out", memory=50_000_000)
    assert not (tmp_path / "out").exists()


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="a hard limit on memory of this kind is Linux's")
def test_what_means_a_shortage():
    assert is_shortage(OSError(errno.ENOMEM, "Cannot allocate memory"))
    assert not is_shortage(OSError(errno.ENOSPC, "No space left on device"))
    later = ValueError("something else")
    later.__cause__ = MemoryError()
    assert is_shortage(later)
