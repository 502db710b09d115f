"""Workers in processes of their own: the same bytes whoever judges and dies, and plain words when it cannot be."""

import contextlib
import dataclasses
import functools
import hashlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import psutil
import pytest
import rasterio
import yaml
from click.testing import CliRunner

import underoak as uo
from underoak.base.errors import Fault, UnderoakError
from underoak.base.grid import Window
from underoak.base.memory_errors import report_shortage
from underoak.cli import main
from underoak.engine.progress import Progress
from underoak.engine.workers import cluster, heartbeat, remote_worker
from underoak.engine.workers.cluster import pool_of
from underoak.engine.workers.cluster_address import Address
from underoak.engine.workers.heartbeat import Heartbeat
from underoak.engine.workers.pool import Threads
from underoak.engine.workers.runner import TILE
from underoak.runs.prepared_run import prepare_run

from noise import LEFT, TOP, noise_country

distributed = pytest.importorskip("distributed")
from distributed import Client, LocalCluster, WorkerPlugin  # noqa: E402

true_verify_worker, true_judge_tile, true_software, true_fingerprint = (
    remote_worker.verify_worker, remote_worker.judge_tile, remote_worker.software, remote_worker.fingerprint,
)  # fmt: skip
SAME = ["suitability.tif", "class.tif", "limiting.tif", "memberships.tif", "parcels.csv", "parcels.gpkg", "zones.gpkg",
        "legend.sld", "map.png"]  # fmt: skip


@pytest.fixture(scope="module")
def wide(tmp_path_factory):
    """Nine tiles in a row; elevation is too fine to be kept whole, the others are, and a few values cannot be true."""
    folder = tmp_path_factory.mktemp("wide")
    plan = noise_country(folder, 300, 8300)
    plan["region"] = {"bounds": [LEFT, TOP - 9000, LEFT + 249_000, TOP], "crs": "EPSG:25831", "cell": "30 m"}
    with rasterio.open(folder / "dem.tif") as dem:
        cells, profile = np.kron(dem.read(1), np.ones((2, 2), np.float32)), dem.profile
    profile.update(
        width=cells.shape[1], height=cells.shape[0], transform=profile["transform"] @ rasterio.Affine.scale(0.5)
    )
    with rasterio.open(folder / "dem.tif", "w", **profile) as dem:
        dem.write(cells, 1)
    with rasterio.open(folder / "ph.tif", "r+") as ph:
        cells = ph.read(1)
        cells[cells.shape[0] // 2, 20:23] = 250
        ph.write(cells, 1)
    (folder / "plan.yaml").write_text(yaml.safe_dump(plan, sort_keys=False), encoding="utf-8")
    return uo.load_plan(folder / "plan.yaml")


@pytest.fixture(scope="module")
def work(wide):
    return prepare_run(wide, Progress("none")).job


@pytest.fixture(scope="module")
def windows(work):
    return list(work.recipe.grid.tiles(TILE))


@pytest.fixture(scope="module")
def by_threads(wide, tmp_path_factory):
    return uo.run(wide, out=tmp_path_factory.mktemp("threads"), workers=2).folder


def sums(folder):
    return {name: hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in SAME}


def without_when(folder):
    content = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    return {key: value for key, value in content.items() if key != "when"}


def worker_processes(of=None, but=()):
    workers = []
    for process in psutil.Process(of).children(recursive=True):
        with contextlib.suppress(psutil.NoSuchProcess):  # it has just ended
            if process.pid not in but and "spawn_main" in " ".join(process.cmdline()):
                workers.append(process)
    return workers


@pytest.fixture
def others():
    """Processes that are not of the run under test."""
    return {process.pid for process in worker_processes()}


class AfterTiles(Progress):
    """Does something once, when so many tiles are done."""

    def __init__(self, tiles, what):
        super().__init__("none")
        self.left, self.what = tiles, what

    def advance(self, parts=1):
        super().advance(parts)
        self.left -= 1
        if self.left == 0:
            self.what()


@pytest.fixture(scope="module")
def ours(tmp_path_factory):
    """A scheduler and two workers that a run reaches by address; a tile is given up when two of them die of it."""
    import dask

    with (
        dask.config.set({**cluster._LOCAL, "distributed.scheduler.allowed-failures": 1}),
        LocalCluster(
            n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address="127.0.0.1:0",
            scheduler_kwargs={"dashboard": False}, memory_limit=0, silence_logs=50,
            local_directory=str(tmp_path_factory.mktemp("dask")),
        ) as made,
    ):  # fmt: skip
        yield made


@pytest.fixture
def client(ours):
    with Client(ours, set_as_default=False) as made:
        made.wait_for_workers(2, timeout=30)
        yield made


def judged(address, work, windows, between=lambda count: None):
    """The results from the workers at an address, as far as they came, and the faults that ended them."""
    came = []
    try:
        with pool_of(Address.usable(address), 1) as pool:
            for result in pool.results(work, windows):
                came.append(result)
                between(len(came))
    except UnderoakError as error:
        return came, error.faults
    return came, ()


@pytest.fixture
def results(ours, work):
    return functools.partial(judged, ours.scheduler_address, work)


class Changed(WorkerPlugin):
    """Puts something else in the place of a function of the worker's module, as long as it is there."""

    def __init__(self, name, other, only=None):
        self.name, self.attribute, self.other, self.only = f"changed {name}", name, other, only

    def setup(self, worker):
        if self.only in (None, worker.address):
            self.before = getattr(remote_worker, self.attribute, None)
            setattr(remote_worker, self.attribute, self.other)

    def teardown(self, worker):
        if self.only in (None, worker.address):
            setattr(remote_worker, self.attribute, self.before) if self.before else delattr(
                remote_worker, self.attribute
            )


@contextlib.contextmanager
def changed(client, name, other, only=None):
    plugin = Changed(name, other, only)
    client.register_plugin(plugin)
    try:
        yield
    finally:
        client.unregister_worker_plugin(plugin.name)


@pytest.mark.parametrize("processes", [1, 4])
def test_worker_processes_give_the_bytes_of_threads(wide, by_threads, windows, others, tmp_path, processes):
    assert len(windows) == 9
    seen = []
    told = AfterTiles(1, lambda: seen.append(len(worker_processes(but=others))))
    uo.run(wide, out=tmp_path, cluster=f"local:{processes}", progress=told)
    assert seen == [processes]
    assert sums(tmp_path) == sums(by_threads)
    assert without_when(tmp_path) == without_when(by_threads)
    assert json.loads((tmp_path / "run.json").read_text(encoding="utf-8"))["when"]["workers"] == processes


def test_a_worker_killed_in_mid_run_changes_no_byte(wide, by_threads, others, tmp_path):
    killed = []

    def kill():
        victim = worker_processes(but=others)[0]
        victim.kill()
        killed.append(victim.pid)

    uo.run(wide, out=tmp_path, cluster="local:2", progress=AfterTiles(2, kill))
    assert killed
    assert sums(tmp_path) == sums(by_threads)
    assert without_when(tmp_path) == without_when(by_threads)


def test_two_workers_of_a_scheduler_give_the_bytes_of_threads(wide, by_threads, ours, client, tmp_path):
    uo.run(wide, out=tmp_path, cluster=ours.scheduler_address)
    assert sums(tmp_path) == sums(by_threads)
    assert without_when(tmp_path) == without_when(by_threads)
    assert client.run(lambda: (len(remote_worker._jobs), len(remote_worker._works))) == dict.fromkeys(
        client.nthreads(), (0, 0)
    )


def counting(job, worker):
    remote_worker.proofs = getattr(remote_worker, "proofs", 0) + 1
    return true_verify_worker(job, worker)


def test_the_work_is_unpacked_once_on_each_worker(results, client, windows):
    with changed(client, "verify_worker", counting):
        came, faults = results(windows)
        proofs = client.run(lambda: remote_worker.__dict__.pop("proofs"))
    assert not faults
    assert len(came) == 9
    assert proofs == dict.fromkeys(client.nthreads(), 1)


def is_first(window):
    return (window.row, window.col) == (0, 0) and window.rows > remote_worker._PROBE


def dying(work, window):
    if is_first(window):
        os.kill(os.getpid(), signal.SIGKILL)
    return true_judge_tile(work, window)


def test_a_tile_that_kills_its_workers_is_named_and_the_others_are_kept(results, client, windows, monkeypatch):
    monkeypatch.setattr(cluster, "_RETURN_SECONDS", 1.0)
    with changed(client, "judge_tile", dying):
        came, faults = results([windows[8], windows[0], windows[5]])
    assert [fault.code for fault in faults] == ["E701"]
    assert faults[0].where == "tile of rows 0+301, columns 0+1024"
    assert "2 workers died" in faults[0].what
    assert {result.window for result in came} == {windows[8], windows[5]}
    client.wait_for_workers(2, timeout=30)


def kills_that_grow():
    remote_worker.kills = getattr(remote_worker, "kills", int(time.time())) + 1
    return "this machine", remote_worker.kills


def test_a_tile_whose_workers_the_system_kills_for_want_of_memory_is_a_shortage(results, client, windows):
    with changed(client, "judge_tile", dying), changed(client, "kills_here", kills_that_grow):
        came, faults = results([windows[8], windows[0], windows[5]])
    # a tile that waited on both workers when they died may share its fate
    assert ("E503", "tile of rows 0+301, columns 0+1024") in [(fault.code, fault.where) for fault in faults]
    assert {fault.code for fault in faults} == {"E503"}
    assert len(came) + len(faults) == 3
    client.wait_for_workers(2, timeout=30)


def greedy(work, window):
    if is_first(window):
        with report_shortage("judging it", "a tile"):
            np.empty(2**50)
    return true_judge_tile(work, window)


def test_memory_that_runs_out_on_a_worker_is_a_shortage(results, client, windows):
    with changed(client, "judge_tile", greedy):
        _, faults = results(windows[:1])
    assert [(fault.code, fault.where, fault.exit_code) for fault in faults] == [("E503", "a tile", 7)]


def unreadable(work, window):
    if is_first(window):
        raise UnderoakError(Fault("E230", "rows 0+9 cannot be read (bad sector)", "soil_ph (ph.tif)", "fetch it again"))
    return true_judge_tile(work, window)


def test_a_fault_in_a_tile_arrives_as_that_fault_and_no_more_tiles_are_begun(results, client, windows):
    with changed(client, "judge_tile", unreadable):
        came, faults = results(windows)
    assert faults == (Fault("E230", "rows 0+9 cannot be read (bad sector)", "soil_ph (ph.tif)", "fetch it again"),)
    assert len(came) == 3  # those in flight beside it


def broken(work, window):
    if is_first(window):
        raise OSError("a bug")
    return true_judge_tile(work, window)


def test_a_bug_in_a_tile_is_not_taken_for_a_lost_cluster(results, client, windows):
    with changed(client, "judge_tile", broken), pytest.raises(OSError, match="a bug"):
        results(windows[:1])


def older_numba():
    return {**true_software(), "numba": "0.1.2"}


def test_a_worker_with_another_version_is_named_with_package_and_both_versions(results, client, windows):
    odd = list(client.nthreads())[1]
    with changed(client, "software", older_numba, only=odd):
        came, faults = results(windows)
    assert not came
    assert [fault.code for fault in faults] == ["E703"]
    for part in (odd, "numba 0.1.2", f"numba {true_software()['numba']}"):
        assert part in faults[0].what


def test_other_versions_of_what_carries_tasks_are_all_told_for_workers_and_scheduler():
    def told(**versions):
        return {
            "packages": {"python": "3.12.1.final.0", "dask": "1", "distributed": "1", "underoak": "0.1.0", **versions}
        }

    class Told:
        def get_versions(self, packages):
            assert packages == ["underoak"]
            workers = {"tls://a:1": told(underoak=None), "tls://b:1": told(), "tls://c:1": None}
            return {"client": told(), "scheduler": told(python="3.11.9.final.0"), "workers": workers}

    with pytest.raises(UnderoakError) as raised:
        cluster._check_versions(Told())
    assert [fault.code for fault in raised.value.faults] == ["E703", "E703"]
    of_scheduler, of_worker = (fault.what for fault in raised.value.faults)
    assert of_scheduler.startswith("the scheduler has python 3.11.9, ")
    assert of_worker.startswith("worker tls://a:1 has no underoak, ")


def blind(path, *mode):
    if str(path).endswith("ph.tif"):
        raise FileNotFoundError(2, "No such file or directory")
    return open(path, *mode)


def test_a_worker_that_does_not_see_an_input_says_which_and_where(results, client, windows):
    odd = next(iter(client.nthreads()))
    with changed(client, "open", blind, only=odd):
        came, faults = results(windows)
    assert not came
    assert [fault.code for fault in faults] == ["E246"]
    assert faults[0].where.startswith("soil_ph (")
    assert f"worker {odd}" in faults[0].what
    assert "ph.tif" in faults[0].what


def test_a_worker_that_sees_another_file_of_that_name_says_so(work):
    job = remote_worker.WorkerJob.of(work, [work.recipe.grid.window])
    files = tuple(dataclasses.replace(file, size=file.size + 1) for file in job.files)
    with pytest.raises(UnderoakError) as raised:
        remote_worker.verify_worker(dataclasses.replace(job, files=files), "one")
    assert [fault.code for fault in raised.value.faults] == ["E246"] * 3  # each file once
    assert "sees another" in raised.value.faults[0].what


def nudged(work, probes):
    return true_fingerprint(work, probes) | {"slope": "other"}


def test_a_worker_that_gets_other_values_is_refused(results, client, windows):
    odd = next(iter(client.nthreads()))
    with changed(client, "fingerprint", nudged, only=odd):
        came, faults = results(windows)
    assert not came
    assert [fault.code for fault in faults] == ["E705"]
    assert odd in faults[0].what
    assert faults[0].what.endswith("for slope")


def test_a_fingerprint_tells_other_input_values_from_the_same_ones(work, windows):
    probes = remote_worker.WorkerJob.of(work, windows).probes
    marks = remote_worker.fingerprint(work, probes)
    assert marks == remote_worker.fingerprint(work, probes)
    assert set(marks) == {"soil_ph", "elevation", "slope", "cover", *SAME[:4]}
    moved = [Window(p.row + 1, p.col, p.rows, p.cols) for p in probes]
    assert all(marks[name] != mark for name, mark in remote_worker.fingerprint(work, moved).items())


def test_local_workers_listen_on_this_machine_only_and_are_gone_afterwards(others):
    me = psutil.Process()

    def use():
        with pool_of(Address.usable("local:1"), 1) as pool:
            assert pool.workers == 1
            mine = [me, *worker_processes(but=others)]
            assert len(mine) == 2
            open_to = [c.laddr.ip for p in mine for c in p.net_connections() if c.status == psutil.CONN_LISTEN]
            assert open_to
            assert set(open_to) == {"127.0.0.1"}
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        use()
    assert worker_processes(but=others) == []


def slow(work, window):
    """Says when it is done."""
    if window.rows > remote_worker._PROBE:
        time.sleep(0.4)
    result = true_judge_tile(work, window)
    with open(os.environ["TILES_DONE"], "a", encoding="utf-8") as log:
        log.write(f"{window.row} {window.col} {window.rows}\n")
    return result


@pytest.fixture
def apart(tmp_path):
    """A scheduler and two workers started as docs/cluster.md says, without anybody who starts them again."""
    here = Path(__file__).parent
    path = os.pathsep.join([str(here), str(here.parents[1]), *filter(None, [os.environ.get("PYTHONPATH")])])
    own = {"PYTHONPATH": path, "TILES_DONE": str(tmp_path / "done.txt")}
    file = str(tmp_path / "scheduler.json")
    common = ["--scheduler-file", file, "--host", "127.0.0.1", "--no-dashboard"]
    worker = ["worker", *common, "--nthreads", "1", "--no-nanny", "--local-directory", str(tmp_path)]
    started = []
    try:
        for command in (["scheduler", *common, "--port", "0"], worker, worker):
            with open(tmp_path / f"log{len(started)}.txt", "w", encoding="utf-8") as log:
                command = [sys.executable, "-m", "dask", *command]
                started.append(subprocess.Popen(command, env={**os.environ, **own}, stdout=log, stderr=log))
            while not (os.path.exists(file) and os.path.getsize(file)):  # it is written in place
                assert started[0].poll() is None, (tmp_path / "log0.txt").read_text(encoding="utf-8")
                time.sleep(0.05)
        with open(file, encoding="utf-8") as said:
            address = json.load(said)["address"]
        with Client(address, set_as_default=False) as client:
            client.wait_for_workers(2, timeout=30)
            client.register_plugin(Changed("judge_tile", slow))
        yield address, [psutil.Process(process.pid) for process in started]
    finally:
        for process in started:
            process.kill()
            process.wait()


async def give_up(address, dask_scheduler):
    """What a scheduler does with a worker that it has not heard of for long."""
    await dask_scheduler.remove_worker(address, stimulus_id="a test")


def test_a_frozen_worker_that_finishes_a_tile_again_does_not_matter_and_a_lost_scheduler_does(
    apart, work, windows, tmp_path
):
    address, (scheduler, frozen, _) = apart

    def freeze(count):
        if count == 1:
            with Client(address, set_as_default=False) as client:
                held = {pid: worker for worker, pid in client.run(os.getpid).items()}[frozen.pid]
                frozen.suspend()
                client.run_on_scheduler(give_up, held)
        elif count == len(some) - 1:  # what it held is with the other one now
            frozen.resume()

    some = [windows[at] for at in (0, 2, 5, 6, 7, 8)]
    came, faults = judged(address, work, some, freeze)
    assert not faults
    assert sorted((r.window.row, r.window.col) for r in came) == sorted((w.row, w.col) for w in some)
    expected = {result.window: result.blocks for result in Threads(2).results(work, some)}
    assert {result.window: result.blocks for result in came} == expected
    frozen.wait(timeout=30)  # it learns that it was given up, once it has finished
    done = [
        line for line in (tmp_path / "done.txt").read_text(encoding="utf-8").splitlines() if not line.endswith(" 32")
    ]
    assert len(set(done)) == len(some)
    assert len(done) > len(some)

    came, faults = judged(address, work, windows, lambda count: scheduler.kill() if count == 2 else None)
    assert [fault.code for fault in faults] == ["E702"]
    assert faults[0].where == address
    assert "the connection to it broke" in faults[0].what
    assert 2 <= len(came) < 9


def test_a_frozen_scheduler_ends_the_run_its_tiles_are_kept_and_the_next_run_resumes(
    apart, wide, by_threads, tmp_path, monkeypatch
):
    address, (scheduler, *_) = apart
    monkeypatch.setattr(heartbeat, "LIMIT_SECONDS", 12.0)
    out = tmp_path / "out"
    began = []

    def freeze():
        scheduler.suspend()  # its sockets stay open, and nobody answers
        began.append(time.monotonic())

    with pytest.raises(UnderoakError) as raised:
        uo.run(wide, out=out, cluster=address, progress=AfterTiles(2, freeze))
    (fault,) = raised.value.faults
    assert (fault.code, fault.where, fault.exit_code) == ("E702", address, 8)
    assert time.monotonic() - began[0] < 100.0
    assert "gave no sign of life for 12 s" in fault.what
    scheduler.resume()
    uo.run(wide, out=out, cluster=address)
    assert json.loads((out / "run.json").read_text(encoding="utf-8"))["when"]["tiles_kept"] >= 2
    assert sums(out) == sums(by_threads)


def test_a_scheduler_that_is_frozen_from_the_start_is_told(apart, monkeypatch):
    address, (scheduler, *_) = apart
    monkeypatch.setattr(heartbeat, "LIMIT_SECONDS", 1.0)
    monkeypatch.setattr(cluster, "_REACH_SECONDS", 1.0)
    scheduler.suspend()
    came, faults = judged(address, None, [])
    assert not came
    assert [(fault.code, fault.where) for fault in faults] == [("E702", address)]


class Falling:
    """A client of a scheduler that answers until it freezes."""

    def __init__(self):
        self.scheduler, self.frozen = self, False

    def ncores(self):
        raise AssertionError("called by sync alone")

    def sync(self, _, callback_timeout):
        if self.frozen:
            time.sleep(callback_timeout)
            raise TimeoutError


def test_a_call_that_never_ends_is_left_only_once_the_scheduler_is_silent(monkeypatch):
    monkeypatch.setattr(heartbeat, "LIMIT_SECONDS", 0.6)
    client = Falling()
    with Heartbeat(client) as beats:
        assert beats.call(lambda: time.sleep(1.0) or "late") == "late"  # longer than the limit, but it beats
        with pytest.raises(ZeroDivisionError):
            beats.call(lambda: 1 / 0)
        client.frozen = True
        with pytest.raises(OSError, match=r"no sign of life for 0\.6 s"):
            beats.call(lambda: time.sleep(20.0))
        assert beats.is_silent


def test_no_scheduler_at_an_address_is_told():
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{free.getsockname()[1]}"
    cluster_seconds = cluster._REACH_SECONDS
    cluster._REACH_SECONDS = 1.0
    try:
        came, faults = judged(address, None, [])
    finally:
        cluster._REACH_SECONDS = cluster_seconds
    assert not came
    assert [(fault.code, fault.where) for fault in faults] == [("E702", address)]


class Bare:
    """A client whose workers have underoak but not what it needs."""

    status = "running"

    def nthreads(self):
        return {"tls://a:1": 1}

    def register_plugin(self, plugin, name):
        raise ModuleNotFoundError("No module named 'rasterio'")

    def cancel(self, futures, force):
        assert futures == []

    def unregister_worker_plugin(self, name):
        assert name.startswith("underoak-")


def test_a_worker_that_cannot_load_underoak_is_told(work, windows):
    pool = cluster.Cluster(Bare(), Address.parse("tls://head:8786"), Heartbeat(Bare()))
    with pytest.raises(UnderoakError) as raised:
        list(pool.results(work, windows[8:]))
    (fault,) = raised.value.faults
    assert fault.code == "E703"
    assert "No module named 'rasterio'" in fault.what


class Deserted:
    """A client of a scheduler whose workers left."""

    status = "running"

    def __init__(self):
        self.left = [{"tls://a:1": 2}]

    def nthreads(self):
        return self.left.pop() if self.left else {}


def test_a_scheduler_without_any_worker_for_long_is_a_lost_cluster(monkeypatch):
    monkeypatch.setattr(cluster, "_LOOK_SECONDS", 0.0)
    monkeypatch.setattr(cluster, "_WORKERS_SECONDS", 0.05)
    deserted = Deserted()
    pool = cluster.Cluster(deserted, Address.parse("tls://head:8786"), Heartbeat(deserted))
    assert pool.workers == 2
    pool._look()  # workers may come back
    time.sleep(0.1)
    with pytest.raises(UnderoakError) as raised:
        pool._look()
    assert [(fault.code, fault.where) for fault in raised.value.faults] == [("E702", "tls://head:8786")]
    assert "no worker" in raised.value.faults[0].what


@pytest.fixture
def certificates(tmp_path):
    """A CA of one's own, and one certificate by it for all three parts."""
    if not shutil.which("openssl"):
        pytest.skip("openssl is not here")

    def make(*words):
        subprocess.run(["openssl", *words], cwd=tmp_path, check=True, capture_output=True)

    make(
        "req",
        "-x509",
        "-newkey",
        "rsa:2048",
        "-nodes",
        "-keyout",
        "ca.key",
        "-out",
        "ca.pem",
        "-days",
        "2",
        "-subj",
        "/CN=ca",
    )
    make("req", "-newkey", "rsa:2048", "-nodes", "-keyout", "key.pem", "-out", "one.csr", "-subj", "/CN=underoak")
    make(
        "x509",
        "-req",
        "-in",
        "one.csr",
        "-CA",
        "ca.pem",
        "-CAkey",
        "ca.key",
        "-CAcreateserial",
        "-out",
        "cert.pem",
        "-days",
        "2",
    )
    names = {
        "ca-file": "ca.pem",
        **{f"{who}.{what}": f"{what}.pem" for who in ("scheduler", "worker", "client") for what in ("cert", "key")},
    }
    return {f"distributed.comm.tls.{key}": str(tmp_path / file) for key, file in names.items()}


def test_certificates_open_a_cluster_and_without_them_it_is_not_talked_to(certificates, work, windows):
    import dask

    with (
        dask.config.set({**cluster._LOCAL, **certificates}),
        LocalCluster(
            n_workers=1, threads_per_worker=2, processes=False, protocol="tls", host="127.0.0.1",
            dashboard_address="127.0.0.1:0", scheduler_kwargs={"dashboard": False}, silence_logs=50,
        ) as made,
    ):  # fmt: skip
        address = made.scheduler_address
        assert address.startswith("tls://127.0.0.1:")
        came, faults = judged(address, work, windows[5:])
        assert not faults
        assert {result.window for result in came} == set(windows[5:])
        assert len(came) == 4
        with dask.config.set(dict.fromkeys(certificates)):
            came, faults = judged(address, work, windows[8:])
        assert not came
        assert [fault.code for fault in faults] == ["E704"]


@pytest.mark.parametrize("address", ["tcp://10.255.255.1:8786", "tcp://head.example:8786", "tcp://[2001:db8::1]:8786"])
def test_plain_tcp_to_another_machine_is_refused_before_anything_is_connected_to_or_read(
    address, monkeypatch, tmp_path
):
    def never(*_, **__):
        raise AssertionError("nothing is to be reached")

    monkeypatch.setattr(socket.socket, "connect", never)
    monkeypatch.setattr(socket, "getaddrinfo", never)
    monkeypatch.setattr("underoak.runs.run.prepare_run", never)
    (tmp_path / "plan.yaml").write_text("format: 1\n", encoding="utf-8")
    with pytest.raises(UnderoakError) as raised:
        Address.usable(address)
    (fault,) = raised.value.faults
    assert (fault.code, fault.where, fault.exit_code) == ("E704", address, 8)
    assert "anyone there could send code" in fault.what
    assert "certificates" in fault.fix


def test_a_scheduler_here_that_workers_reach_over_a_plain_network_is_refused(monkeypatch, ours, work, windows):
    monkeypatch.setattr(Client, "nthreads", lambda self: {"tcp://10.1.2.3:4567": 1})
    came, faults = judged(ours.scheduler_address, work, windows)
    assert not came
    assert [(fault.code, fault.where) for fault in faults] == [("E704", "tcp://10.1.2.3:4567")]


NO_ADDRESS = [
    "", "local", "local:0", "local:-1", "local:x", "host:1", "http://127.0.0.1:80", "tcp://127.0.0.1",
    "tcp://127.0.0.1:99999", "tls://me@host:1", "tls://host:1/x",
]  # fmt: skip


@pytest.mark.parametrize("text", NO_ADDRESS)
def test_an_address_of_no_known_form_is_a_usage_error(text, wide):
    result = CliRunner().invoke(main, ["run", str(wide.base / "plan.yaml"), "--cluster", text])
    assert result.exit_code == 2
    assert "names no cluster" in result.output
    assert "local:N" in result.output


def test_workers_and_cluster_together_are_a_usage_error(wide):
    for words in (["--workers", "2", "--cluster", "local:2"], ["--cluster", "local:2", "--workers", "2"]):
        result = CliRunner().invoke(main, ["run", str(wide.base / "plan.yaml"), *words])
        assert result.exit_code == 2
        assert "cannot be combined with --workers" in result.output


def test_a_missing_library_is_told_with_the_command_that_installs_it(monkeypatch, wide):
    monkeypatch.setitem(sys.modules, "distributed", None)
    result = CliRunner().invoke(main, ["run", str(wide.base / "plan.yaml"), "--cluster", "local:2"])
    assert result.exit_code == 8
    assert "E703" in result.output
    assert "pip install underoak[cluster]" in result.output


def test_interrupting_a_run_leaves_no_worker_and_no_traceback(wide, tmp_path):
    log = tmp_path / "log.jsonl"
    command = [sys.executable, "-m", "underoak", "run", str(wide.base / "plan.yaml"), "--out", str(tmp_path / "out"),
               "--cluster", "local:2", "--progress", "none", "--log-json", str(log)]  # fmt: skip
    run = subprocess.Popen(command, stderr=subprocess.PIPE, text=True, start_new_session=True)
    try:
        while not log.exists() or '"tile_done"' not in log.read_text(encoding="utf-8"):
            assert run.poll() is None, run.stderr.read()
            time.sleep(0.02)
        workers = worker_processes(run.pid)
        os.killpg(run.pid, signal.SIGINT)  # as a terminal does it: to all of them
        _, said = run.communicate(timeout=20)
    finally:
        run.kill()
    assert run.returncode == 130
    assert "Stopped" in said
    assert "Traceback" not in said
    assert len(workers) == 2
    assert psutil.wait_procs(workers, timeout=5)[1] == []
