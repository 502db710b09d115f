"""The tiles of a stopped run: reuse them, leave them, or delete them."""

from __future__ import annotations

import contextlib
import datetime
import shutil
from collections.abc import Iterator
from pathlib import Path

from underoak.base.errors import Fault, UnderoakError, count_of
from underoak.base.grid import Grid
from underoak.engine.progress import Progress
from underoak.engine.storage.disk import check_room, disk_error
from underoak.engine.storage.identity import Identity, changes
from underoak.engine.storage.input_files import InputsTouched
from underoak.engine.storage.run_folder import RunFolder
from underoak.engine.storage.spool import TILE, Spool, saved_facts
from underoak.engine.system import processor_name

# The same tiles would lead to the same fault again (E204, E250), or may come from two versions of a file (E601).
_HOPELESS = {"E204", "E250", "E601"}


@contextlib.contextmanager
def open_spool(
    run_folder: RunFolder,
    identity: Identity,
    grid: Grid,
    state: str,
    needed_mb: float,
    resume: bool | None,
    progress: Progress,
    strict: bool,
) -> Iterator[Spool]:
    """Open the spool of a run. It is deleted when the run finishes, and kept when the run is stopped.

    Args:
        run_folder: the run folder.
        identity: all that the bytes of the run depend on.
        grid: the analysis grid.
        state: the state of the inputs now; see `Inputs`.
        needed_mb: disk space that the run needs in total.
        resume: True: saved tiles must be of this run; False: delete all saved tiles; None: reuse tiles of this run,
            and leave those of other runs.
        progress: where messages go.
        strict: whether warnings stop the run.

    Raises:
        UnderoakError: E602 for each change since the run was stopped, if `resume` is True; E501, E502.
    """
    spool, warnings = _opened(run_folder, identity, state, resume, progress)
    n_tiles = -(-grid.rows // TILE) * -(-grid.cols // TILE)
    try:
        if spool.tiles:
            progress.say(
                f"Resuming a stopped run: {spool.tiles} of {count_of(n_tiles, 'tile')} done. --fresh starts over."
            )
            progress.log("resumed", done=spool.tiles, of=n_tiles, damaged=spool.damaged)
        low = check_room(spool.folder, needed_mb * 1e6, spool.size)
        warnings += [low] if low else []
        for fault in warnings:
            progress.warn(fault)
        if strict and warnings:
            raise UnderoakError(*warnings)
        yield spool
    except BaseException as error:
        codes = {fault.code for fault in error.faults} if isinstance(error, UnderoakError) else set()
        if _HOPELESS & codes and not isinstance(error, InputsTouched):
            spool.remove()
        else:
            spool.close()
            if spool.tiles:
                progress.say(
                    f"Saved: {spool.tiles} of {count_of(n_tiles, 'tile')}. Run again with --resume to continue."
                )
        raise
    spool.remove()


def _opened(
    run_folder: RunFolder, identity: Identity, state: str, resume: bool | None, progress: Progress
) -> tuple[Spool, list[Fault]]:
    """Return the spool, and warnings about saved tiles."""
    saved = sorted(run_folder.spools.iterdir(), key=_age) if run_folder.spools.is_dir() else []
    folder = run_folder.spools / identity.digest[:16]
    now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    facts = {**identity.facts, "processor": processor_name(), "begun": now}
    if resume is False:
        if saved:
            progress.say(f"Deleted the tiles of {_count(len(saved), 'stopped run')}.")
            try:
                shutil.rmtree(run_folder.spools)
            except OSError as error:
                raise disk_error(error, run_folder.spools) from error
        return Spool(folder, identity.digest, facts, state=state), []
    if folder in saved:
        before = saved_facts(folder) or facts
        spool = Spool(folder, identity.digest, facts, keep=True, state=state)
        warnings = []
        if spool.damaged:
            progress.say(f"{_count(spool.damaged, 'saved tile')} damaged: judged again.")
        if spool.unconfirmed:
            tiles = _count(spool.unconfirmed, "saved tile")
            progress.say(f"{tiles} may come from another content of an input that was touched since: judged again.")
        if spool.tiles and before["processor"] != facts["processor"]:
            what = f"the saved tiles were judged on another processor ({before['processor']}): last digits may differ"
            warnings.append(Fault("W602", what, str(run_folder.path), "use --fresh if every byte must be the same"))
        return spool, warnings
    if not saved:
        if resume:
            progress.say("There are no tiles of a stopped run here: starting from the beginning.")
        return Spool(folder, identity.digest, facts, state=state), []
    last = saved_facts(saved[-1])
    what_changed = changes(last, facts) if last else [_unreadable(saved[-1])]
    if resume:
        raise UnderoakError(*what_changed)
    size = sum(path.stat().st_size for path in run_folder.spools.rglob("*") if path.is_file()) / 1e6
    what = f"tiles of {_count(len(saved), 'stopped run')} are saved here and not used ({size:,.0f} MB)"
    reason = f"; {what_changed[0].where}: {what_changed[0].what}" if last else ""
    warning = Fault(
        "W606", what + reason, str(run_folder.path), "undo the change to resume that run, or delete them with --fresh"
    )
    return Spool(folder, identity.digest, facts, state=state), [warning]


def _unreadable(spool: Path) -> Fault:
    what = "the tiles of the stopped run cannot be read, so they cannot be matched to this plan"
    return Fault("E602", what, str(spool), "delete them with --fresh")


def _age(spool: Path) -> float:
    return max((path.stat().st_mtime for path in spool.iterdir()), default=0.0) if spool.is_dir() else 0.0


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"
