"""Workers of a cluster, by dask.distributed: processes of this machine, or workers of a scheduler elsewhere.

They read, judge and encode; only this process writes. They run code that is sent to them. So a run connects only to a
scheduler that requires certificates, or to one that cannot be reached from outside this machine.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError
from typing import TYPE_CHECKING, Any, TypeVar

from underoak.base.errors import Fault, Problems, UnderoakError
from underoak.base.grid import Window
from underoak.base.memory_errors import shortage
from underoak.engine.system import no_interrupts
from underoak.engine.workers.cluster_address import BY_TLS, Address, library, refuse_plain
from underoak.engine.workers.heartbeat import Heartbeat, Silent, answer_within
from underoak.engine.workers.pool import Pool, Threads

if TYPE_CHECKING:
    from underoak.engine.storage.spool import TileResult
    from underoak.engine.workers.tile import TileJob

_Result = TypeVar("_Result")

_AHEAD = 2  # tiles in flight for each worker: one being judged, one waiting
_LOOK_SECONDS = 2.0  # between two checks of the cluster
_REACH_SECONDS = 15.0  # for a scheduler to answer
_STEPS = 4  # of a connection, each with an answer
_CLOSE_SECONDS = 5.0
_WORKERS_SECONDS = 60.0  # for the first worker to appear, or for one to come back when all are gone
_RETURN_SECONDS = 20.0  # for killed workers to come back and say what killed them
_BROKEN = "its scheduler ended or was cleared, or the connection to it broke"
_LOCAL = {
    "distributed.scheduler.allowed-failures": 3,  # how often a tile whose worker dies is given to another
    "distributed.scheduler.http.routes": [],
    "distributed.worker.http.routes": [],
    "distributed.worker.multiprocessing-method": "spawn",
    "distributed.worker.daemon": True,
    "distributed.worker.profile.enabled": False,
    "distributed.worker.memory.target": False,  # results are small and few: spilling or pausing would not help
    "distributed.worker.memory.spill": False,
    "distributed.worker.memory.pause": False,
    "distributed.worker.memory.terminate": False,
}


@contextlib.contextmanager
def pool_of(address: Address | None, threads: int) -> Iterator[Pool]:
    """Open a pool of threads, or of the workers at an address; it is closed at the end in any case.

    Raises:
        UnderoakError: E702 no scheduler or worker answers, E703 other software, E704 an unsafe connection.
    """
    if address is None:
        yield Threads(threads)
        return
    with contextlib.ExitStack() as stack:
        stack.enter_context(_silence())
        client, heartbeat = _connected(address, stack)
        yield Cluster(client, address, heartbeat)


def _connected(address: Address, stack: contextlib.ExitStack) -> tuple[Any, Heartbeat]:
    """Return a client of the cluster, once a worker is there and all versions match, and its scheduler's heartbeat."""
    try:
        if address.processes:
            to = _started(address.processes, stack)
        else:
            to = address.text
            _check_certificates(address)
        client = answer_within(
            _STEPS * _REACH_SECONDS,  # the library's own limit does not hold for every step
            lambda: library().Client(to, timeout=_REACH_SECONDS, set_as_default=False, name="underoak"),
        )
        stack.callback(_close, client)
        heartbeat = stack.enter_context(Heartbeat(client))
        heartbeat.call(lambda: _check_cluster(client))
    except (OSError, RuntimeError) as error:
        raise _not_there(address, error) from error
    return client, heartbeat


def _check_cluster(client: Any) -> None:
    """Wait for a worker, and check that connections are safe and versions match.

    Raises:
        UnderoakError: E703, E704.
    """
    client.wait_for_workers(1, timeout=_WORKERS_SECONDS)
    refuse_plain(client.scheduler_info()["address"], "the scheduler")
    for worker in client.nthreads():
        refuse_plain(worker, "a worker of this cluster")
    _check_versions(client)


def _started(processes: int, stack: contextlib.ExitStack) -> Any:
    """Start worker processes that cannot be reached from outside this machine."""
    import dask

    scratch = stack.enter_context(tempfile.TemporaryDirectory(prefix="underoak-", ignore_cleanup_errors=True))
    stack.enter_context(dask.config.set(_LOCAL))
    with no_interrupts():  # the leader closes the workers
        cluster = library().LocalCluster(
            n_workers=processes, threads_per_worker=1, processes=True, host="127.0.0.1", protocol="tcp",
            dashboard_address="127.0.0.1:0", worker_dashboard_address="127.0.0.1:0",
            scheduler_kwargs={"dashboard": False}, memory_limit=0, local_directory=scratch,
            silence_logs=logging.CRITICAL,
        )  # fmt: skip
        stack.callback(cluster.close)
    return cluster


def _check_certificates(address: Address) -> None:
    if not address.text.startswith("tls"):
        return
    reason = "no CA, certificate and key are named"
    try:
        if library().Security().get_connection_args("client").get("ssl_context") is not None:
            return
    except (OSError, ValueError) as error:  # an SSLError is an OSError
        reason = str(error)
    raise UnderoakError(Fault("E704", f"its certificates cannot be used ({reason})", address.text, BY_TLS))


def _check_versions(client: Any) -> None:
    """Check that the software that carries tasks is the same everywhere; workers check the rest themselves.

    Raises:
        UnderoakError: E703 for every difference.
    """
    from underoak.engine.workers.remote_worker import differing

    versions = client.get_versions(packages=["underoak"])
    ours = _carrying(versions["client"])
    problems = Problems()
    for who, theirs in (("the scheduler", versions["scheduler"]), *sorted(versions["workers"].items())):
        who = who if who == "the scheduler" else f"worker {who}"
        if isinstance(theirs, dict) and "packages" in theirs:  # a worker that has just left gives no versions
            problems.extend(differing(who, _carrying(theirs), ours))
    problems.stop_if_any()


def _carrying(versions: dict[str, Any]) -> dict[str, str | None]:
    packages = versions["packages"]
    return {
        name: packages.get(name) and str(packages[name]).removesuffix(".final.0")
        for name in ("python", "dask", "distributed", "underoak")
    }


def _not_there(address: Address, error: Exception) -> UnderoakError:
    reason = " ".join((str(error).strip() or type(error).__name__).split())[:300]
    if address.processes:
        what = f"its worker processes could not be started ({reason})"
        fix = 'use --workers instead; a script of your own calls run() below `if __name__ == "__main__":`'
    else:
        what = f"no scheduler with workers answers there ({reason})"
        fix = "start the scheduler and its workers first, and check that this machine can reach it"
    return UnderoakError(Fault("E702", what, address.text, fix))


class Cluster:
    """A pool of a scheduler's workers; a tile whose worker dies goes to another one."""

    def __init__(self, client: Any, address: Address, heartbeat: Heartbeat) -> None:
        self._client = client
        self._address = address
        self._heartbeat = heartbeat
        self._kills: dict[str, int] = {}  # before the first tile
        self._threads: int = sum(client.nthreads().values()) or 1
        self._looked = self._populated = time.monotonic()

    @property
    def workers(self) -> int:
        """The number of tiles judged at the same time; workers may join and leave."""
        return self._threads

    def smaller(self) -> Cluster:
        """Return this pool: each worker judges its tiles one after the other."""
        return self

    def results(self, work: TileJob, windows: Sequence[Window]) -> Iterator[TileResult]:
        """Yield results as `Pool.results` does. After a fault no tile is started; those in flight are still yielded.

        Raises:
            UnderoakError: faults of tiles; E246, E703, E705 when a worker cannot be used; E701 for each tile whose
                workers died, or E503 if the system killed them for want of memory; E702 when the scheduler freezes or
                is lost, or all workers are lost.
        """
        if not windows:
            return
        from underoak.engine.workers import remote_worker

        job = remote_worker.WorkerJob.of(work, windows)
        worker_setup = remote_worker.WorkerSetup(job, alone=self._address.processes > 0)
        problems, todo = Problems(), iter(windows)
        flying: dict[Any, Window] = {}
        landed: queue.SimpleQueue[Any] = queue.SimpleQueue()
        try:
            self._hand_out(worker_setup)
            while True:
                while not problems.faults and len(flying) < _AHEAD * self._threads:
                    window = next(todo, None)
                    if window is None:
                        break
                    key = f"underoak-{job.key}-{window.row}-{window.col}"
                    with self._lost():
                        future = self._client.submit(remote_worker.judge, job.key, window, key=key, pure=False)
                    flying[future] = window
                    future.add_done_callback(landed.put)
                if not flying:
                    break
                self._look()
                try:
                    future = landed.get(timeout=_LOOK_SECONDS)
                except queue.Empty:
                    continue
                result = self._taken(future, flying.pop(future), problems)
                if result is not None:
                    yield result
            problems.stop_if_any()
        finally:
            self._call_back(list(flying), worker_setup.name)

    def _hand_out(self, worker_setup: Any) -> None:
        """Send the job to all workers, and have each verify itself."""
        from underoak.engine.workers import remote_worker

        problems = Problems()
        with self._lost():
            try:
                self._ask(lambda: self._client.register_plugin(worker_setup, name=worker_setup.name))
            except ImportError as error:
                fix = "install underoak with all its dependencies on every worker, best from one image"
                raise UnderoakError(Fault("E703", f"a worker cannot load it ({error})", "cluster", fix)) from error
            key = worker_setup.job.key
            proofs = self._ask(lambda: self._client.run(remote_worker.ready, key, on_error="return"))
        for worker, proof in sorted(proofs.items()):
            if isinstance(proof, UnderoakError):
                problems.add_error(proof)
            elif isinstance(proof, OSError):  # it died or left; if it comes back, it verifies itself at its first tile
                continue
            elif isinstance(proof, Exception):
                raise RuntimeError(f"worker {worker} could not get ready: {proof!r}") from proof
        problems.stop_if_any()
        self._kills = self._count_kills()

    def _taken(self, future: Any, window: Window, problems: Problems) -> TileResult | None:
        """Return the result of a tile; None if a fault was added to `problems`."""
        try:
            result: TileResult = self._ask(future.result)
            return result
        except UnderoakError as error:
            problems.add_error(error)
        except library().KilledWorker as error:
            where = f"tile of rows {window.row}+{window.rows}, columns {window.col}+{window.cols}"
            if self._were_killed_for_memory():
                problems.add_error(shortage("judging it: the system killed its workers", where))
                return None
            what = (
                f"{error.allowed_failures + 1} workers died while judging it, the last at {error.last_worker.address}"
            )
            problems.add("E701", what, where, "check that worker's log and memory; a smaller --tile needs less memory")
        except Silent as error:
            raise self._gone(str(error)) from error
        except (CancelledError, OSError) as error:
            if future.status == "error":
                raise  # the tile itself raised it
            raise self._gone() from error
        finally:
            future.release()
        return None

    def _look(self) -> None:
        """Count the workers, every few seconds.

        Raises:
            UnderoakError: E702 when the scheduler is lost, or all workers for a minute.
        """
        now = time.monotonic()
        if now - self._looked < _LOOK_SECONDS:
            return
        self._looked = now
        with self._lost():
            threads = sum(self._ask(self._client.nthreads).values())
        if threads:
            self._threads, self._populated = threads, now
        elif now - self._populated > _WORKERS_SECONDS:
            raise self._gone(f"it has had no worker for {_WORKERS_SECONDS:.0f} s")

    def _ask(self, call: Callable[[], _Result]) -> _Result:
        """Return the result of a call that waits for the scheduler."""
        return self._heartbeat.call(call)

    def _were_killed_for_memory(self) -> bool:
        """Return True if the system of a worker has killed processes for want of memory since the tiles began."""
        end = time.monotonic() + _RETURN_SECONDS
        while True:  # killed workers may come back, and only then can tell
            counts = self._count_kills()
            if any(count > self._kills.get(node, count) for node, count in counts.items()):
                return True
            if time.monotonic() > end:
                return False
            time.sleep(_LOOK_SECONDS)

    def _count_kills(self) -> dict[str, int]:
        """Return how many processes the system has killed for want of memory, by machine or container."""
        from underoak.engine.workers import remote_worker

        node, count = remote_worker.kills_here()
        counts = {node: count}
        with self._lost():
            answers = self._ask(lambda: self._client.run(remote_worker.kills_here, on_error="ignore"))
        for node, count in answers.values():
            counts[node] = max(counts.get(node, 0), count)
        return counts

    @contextlib.contextmanager
    def _lost(self) -> Iterator[None]:
        """Turn failures of the connection, and a scheduler that is silent, into E702."""
        if self._client.status != "running":
            raise self._gone()
        try:
            yield
        except Silent as error:
            raise self._gone(str(error)) from error
        except (CancelledError, OSError) as error:
            raise self._gone() from error

    def _gone(self, reason: str = _BROKEN) -> UnderoakError:
        fix = "finished tiles are kept: start the cluster again, and run the plan again into the same folder"
        return UnderoakError(Fault("E702", f"the cluster is lost: {reason}", self._address.text, fix))

    def _call_back(self, flying: list[Any], name: str) -> None:
        """Cancel the tiles in flight, and have the workers forget the run."""
        with contextlib.suppress(CancelledError, OSError):
            if self._client.status == "running" and not self._heartbeat.is_silent:
                self._ask(lambda: self._client.cancel(flying, force=True))
                self._ask(lambda: self._client.unregister_worker_plugin(name))


def _close(client: Any) -> None:
    with contextlib.suppress(CancelledError, OSError):
        client.close(timeout=_CLOSE_SECONDS)


@contextlib.contextmanager
def _silence() -> Iterator[None]:
    """Silence the libraries' logs of lost connections: they are reported as faults."""
    library()  # importing it sets up its log
    handlers = {h for name in ("distributed", "tornado") for h in logging.getLogger(name).handlers}
    before = {handler: handler.level for handler in handlers}
    for handler in handlers:
        handler.setLevel(logging.CRITICAL + 1)
    try:
        yield
    except KeyboardInterrupt:
        raise  # the process ends, and the libraries clean up in silence
    except BaseException:
        _restore(before)
        raise
    _restore(before)


def _restore(levels: dict[logging.Handler, int]) -> None:
    for handler, level in levels.items():
        handler.setLevel(level)
