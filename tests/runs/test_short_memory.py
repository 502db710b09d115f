"""Memory that runs out: judged again in smaller pieces, then told as E503 (exit 7), never as a bug; tiles are kept."""

import errno
import hashlib
import json
import subprocess
import sys
import textwrap

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
def test_a_hard_limit_of_the_system_while_tiles_are_judged_is_told_as_a_shortage(country, tmp_path):
    """The limit is on what the process has of its own, so that an allocation really fails.

    Blocks are made to take more, because below some 60 MB the linear algebra library ends the process by itself.
    """
    given, folder = country
    (tmp_path / "plan.json").write_text(json.dumps(given), encoding="utf-8")
    script = f"""
        import json, resource
        import numpy as np
        from pathlib import Path
        import underoak as uo
        from underoak.base.errors import UnderoakError
        from underoak.engine.progress import Progress
        from underoak.engine.workers import tile as tiles

        true = tiles.judge_window

        def is_limited():
            return resource.getrlimit(resource.RLIMIT_DATA)[0] != resource.RLIM_INFINITY

        def greedy(*args):
            if is_limited():
                np.ones(2**27)  # 1 GiB, ten times what is left
            return true(*args)

        tiles.judge_window = greedy

        class Tight(Progress):
            def advance(self, parts=1):
                super().advance(parts)
                if is_limited():
                    return
                pages = [int(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmData")]
                limit = pages[0] * 1024 + 96 * 2**20
                resource.setrlimit(resource.RLIMIT_DATA, (limit, limit))

        plan = uo.load_plan(json.loads(Path({str(tmp_path / "plan.json")!r}).read_text()), base=Path({str(folder)!r}))
        try:
            uo.run(plan, out=Path({str(tmp_path / "out")!r}), workers=1, progress=Tight("none"))
        except UnderoakError as error:
            print(error.faults[0].code, error.exit_code)
    """
    done = subprocess.run([sys.executable, "-c", textwrap.dedent(script)], capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stdout.strip() == "E503 7"


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="a hard limit on memory of this kind is Linux's")
@pytest.mark.parametrize("kind", ["DATA", "AS"])
@pytest.mark.parametrize("share", [0.35, 0.8])
def test_a_run_under_a_hard_limit_that_it_cannot_keep_ends_with_a_shortage(country, tmp_path, kind, share):
    """The limit is a share of what the process has once libraries and plan are loaded, and room for a run."""
    given, folder = country
    (tmp_path / "plan.json").write_text(json.dumps(given), encoding="utf-8")
    script = f"""
        import json, resource, sys
        from pathlib import Path
        import underoak as uo
        from underoak.base.errors import UnderoakError
        from underoak.runs.run import run

        plan = uo.load_plan(json.loads(Path({str(tmp_path / "plan.json")!r}).read_text()), base=Path({str(folder)!r}))
        name = {{"DATA": "VmData", "AS": "VmSize"}}[{kind!r}]
        lines = Path("/proc/self/status").read_text().splitlines()
        used = next(int(line.split()[1]) for line in lines if line.startswith(name)) * 1024
        limit = used + int({share} * 2**28)
        resource.setrlimit(getattr(resource, "RLIMIT_" + {kind!r}), (limit, limit))
        try:
            run(plan, out=Path({str(tmp_path / "out")!r}), workers=2)
        except UnderoakError as error:
            print(error.faults[0].code, error.exit_code)
    """
    done = subprocess.run([sys.executable, "-c", textwrap.dedent(script)], capture_output=True, text=True, timeout=60)
    assert done.stdout.strip() == "E503 7", done.stderr[-2000:]
    assert not (tmp_path / "out" / "run.json").exists()


def test_what_means_a_shortage():
    assert is_shortage(OSError(errno.ENOMEM, "Cannot allocate memory"))
    assert not is_shortage(OSError(errno.ENOSPC, "No space left on device"))
    later = ValueError("something else")
    later.__cause__ = MemoryError()
    assert is_shortage(later)
