"""Readers find an old or a new run as a whole while runs are published into the folder one after the other."""

import contextlib
import hashlib
import json
import multiprocessing
import os
import shutil
import time
import traceback

import pytest

import underoak as uo
from underoak.base.errors import UnderoakError
from underoak.engine.storage.run_folder import RunFolder, finish_publishing

from crash import die, in_child
from noise import noise_country
from strip import go

TITLES = ("first", "second")
SECONDS = 6.0
FEWEST = 4  # publishings, and reads of each run


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    """Two finished runs of other plans, which share most file names; the second has no zones."""
    folder = tmp_path_factory.mktemp("land")
    plan = noise_country(folder, 60, 70, parcels=24)
    weights = {**plan["weights"]["direct"], "ph": 0.9}
    second = {key: part for key, part in plan.items() if key != "zones"} | {"weights": {"direct": weights}}
    for title, each in zip(TITLES, (plan, second), strict=True):
        go({**each, "title": title}, folder, folder / title)
    return {title: folder / title for title in TITLES}


def publish(run, out):
    with RunFolder(out) as run_folder:
        shutil.copytree(run, run_folder.stage, dirs_exist_ok=True)
        run_folder.publish()


def facts(run):
    """What a reader sees of a run through its door: table and cells."""
    table, cells = run.parcels, run.dataset["suitability"].values
    zones = None if run.zones is None else len(run.zones)
    return run.manifest.title, repr(table["suitability"].tolist()), hashlib.sha256(cells.tobytes()).hexdigest(), zones


def page(out):
    return hashlib.sha256((out / "report.html").read_bytes()).hexdigest()


def manifest_files(out):
    """What tells one manifest from the next, and the checksums of the files that it names; None without one."""
    try:
        with open(out / "run.json", "rb") as file:
            status, manifest = os.fstat(file.fileno()), json.load(file)
    except FileNotFoundError:
        return None
    outputs = manifest["outputs"] + manifest["when"]["outputs"]
    return (status.st_ino, status.st_ctime_ns), {file["path"]: file["sha256"] for file in outputs}


def check_bare_path(out):
    """Read all files that the manifest names: they are as it says if it is still there afterwards."""
    before = manifest_files(out)
    if before is None:
        return
    read = {}
    for name in before[1]:
        with contextlib.suppress(FileNotFoundError):
            read[name] = hashlib.sha256((out / name).read_bytes()).hexdigest()
    if manifest_files(out) == before:
        assert read == before[1]


def facts_or_fault(out):
    try:
        return facts(uo.Run.open(out)), ""
    except UnderoakError as error:
        return None, error.faults[0].code


def read_again_and_again(out, known, pages, until, answers):
    seen = dict.fromkeys(("E610", *TITLES), 0)
    try:
        while time.monotonic() < until.value:
            assert page(out) in pages
            check_bare_path(out)
            now, code = facts_or_fault(out)
            if now is not None:
                assert now == known[now[0]]
            seen[code if now is None else now[0]] += 1
        answers.put(seen)
    except BaseException as error:
        answers.put("".join(traceback.format_exception(error)))


def test_a_reader_in_a_loop_finds_whole_runs_only(runs, tmp_path):
    known = {title: facts(uo.Run.open(folder)) for title, folder in runs.items()}
    assert known["first"][1:] != known["second"][1:]
    pages = {page(folder) for folder in runs.values()}
    out = tmp_path / "out"
    publish(runs["first"], out)
    context = multiprocessing.get_context("fork")
    answers, until = context.Queue(), context.Value("d", time.monotonic() + 10 * SECONDS)
    readers = [context.Process(target=read_again_and_again, args=(out, known, pages, until, answers)) for _ in range(2)]
    for reader in readers:
        reader.start()
    began, n_published = time.monotonic(), 0
    while n_published < FEWEST or time.monotonic() < began + SECONDS:
        publish(runs[TITLES[(n_published + 1) % 2]], out)
        n_published += 1
        time.sleep(0.3 * (n_published % 3))  # one after the other, and with a pause
    until.value = 0.0
    seen = [answers.get(timeout=120) for _ in readers]
    for reader in readers:
        reader.join()
    assert all(isinstance(each, dict) for each in seen), seen
    for title in TITLES:
        assert sum(each[title] for each in seen) > 0, seen


def renames(monkeypatch, strike_at=0):
    """Kill this process before the nth rename; return the list of renames so far."""
    made, true = [], os.replace

    def counted(start, end):
        made.append(str(end))
        if len(made) == strike_at:
            die()
        true(start, end)

    monkeypatch.setattr(os, "replace", counted)
    return made


def test_killed_before_any_rename_a_reader_finds_a_whole_run(runs, tmp_path, monkeypatch):
    known = {title: facts(uo.Run.open(folder)) for title, folder in runs.items()}
    pages = {title: page(folder) for title, folder in runs.items()}
    start = tmp_path / "start"
    publish(runs["first"], start)
    with monkeypatch.context() as patch:
        made = renames(patch)
        publish(runs["second"], shutil.copytree(start, tmp_path / "count"))
    assert len(made) > 10
    titles = []
    for n in range(1, len(made) + 1):
        out = shutil.copytree(start, tmp_path / f"{n}")

        def killed(out=out, n=n):
            with pytest.MonkeyPatch.context() as patch:
                renames(patch, n)
                publish(runs["second"], out)

        assert in_child(killed) == -9
        assert page(out) in pages.values()
        check_bare_path(out)
        run = uo.Run.open(out)
        titles.append(run.manifest.title)
        if n % 4 == 1 or n == len(made):  # opening the tables takes long
            assert facts(run) == known[run.manifest.title]
        assert manifest_files(out) is not None
        check_bare_path(out)
        assert page(out) == pages[run.manifest.title]
    assert titles == sorted(titles)
    assert set(titles) == set(TITLES)


def test_a_run_that_was_opened_before_another_is_published_says_so(runs, tmp_path):
    out = tmp_path / "out"
    publish(runs["first"], out)
    run, lazy = uo.Run.open(out), uo.Run.open(out).dataset["suitability"]
    publish(runs["second"], out)
    for read in (lambda: run.parcels, lambda: run.dataset, lambda: lazy.values, lambda: run.explain("f00")):
        with pytest.raises(UnderoakError) as caught:
            read()
        (fault,) = caught.value.faults
        assert (fault.code, fault.where, caught.value.exit_code) == ("E610", str(out), 6)
    assert uo.Run.open(out).manifest.title == "second"


def test_a_command_reads_again_when_another_run_is_published_meanwhile(runs, tmp_path, monkeypatch):
    from click.testing import CliRunner

    from underoak.cli import main
    from underoak.runs.finished_run import Run

    out = tmp_path / "out"
    publish(runs["first"], out)
    expected = CliRunner().invoke(main, ["explain", str(runs["second"]), "--parcel", "f10"]).stdout
    true, waiting = Run.explain, [lambda: publish(runs["second"], out)]

    def slow(self, parcel):
        if waiting:
            waiting.pop()()
        return true(self, parcel)

    monkeypatch.setattr(Run, "explain", slow)
    told = CliRunner().invoke(main, ["explain", str(out), "--parcel", "f10"])
    assert (told.exit_code, told.stdout) == (0, expected)


def test_opening_leaves_nothing_behind(runs, tmp_path):
    out = tmp_path / "out"
    publish(runs["first"], out)
    before = sorted(path.name for path in out.iterdir())
    finish_publishing(out)
    uo.Run.open(out)
    assert sorted(path.name for path in out.iterdir()) == before
