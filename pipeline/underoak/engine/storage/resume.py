"""What to do with the tiles that a stopped run left: go on with them, leave them, or throw them away."""

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
from underoak.engine.storage.run_folder import RunFolder
from underoak.engine.storage.spool import TILE, Spool, kept_facts
from underoak.engine.system import processor_name

# The same tiles would lead to the same fault again (E204, E250), or may be of two versions of a file (E601).
_HOPELESS = {"E204", "E250", "E601"}


@contextlib.contextmanager
def open_spool(
    held: RunFolder, identity: Identity, grid: Grid, needed_mb: float, resume: bool | None, told: Progress, strict: bool
) -> Iterator[Spool]:
    """The run's spool; gone when the run is done, kept when it is broken off.

    Args:
        held: the run folder.
        identity: what the run's bytes depend on.
        grid: the analysis grid.
        needed_mb: room that the whole run needs.
        resume: True: kept tiles must be this run's; False: whatever is kept is thrown away; None: this run's tiles are
            gone on with, those of others are left.
        told: who is told.
        strict: warnings stop the run.

    Raises:
        UnderoakError: E602 for each thing that has changed since the run to be resumed was stopped; E501, E502.
    """
    spool, warnings = _opened(held, identity, resume, told)
    whole = -(-grid.rows // TILE) * -(-grid.cols // TILE)
    try:
        if spool.tiles:
            told.say(
                f"Going on from a stopped run: {spool.tiles} of {count_of(whole, 'tile')} done. --fresh starts over."
            )
            told.log("resumed", done=spool.tiles, of=whole, damaged=spool.damaged)
        low = check_room(spool.folder, needed_mb * 1e6, spool.size)
        warnings += [low] if low else []
        for fault in warnings:
            told.warn(fault)
        if strict and warnings:
            raise UnderoakError(*warnings)
        yield spool
    except BaseException as error:
        if isinstance(error, UnderoakError) and _HOPELESS & {fault.code for fault in error.faults}:
            spool.remove()
        else:
            spool.close()
            if spool.tiles:
                told.say(
                    f"Kept: {spool.tiles} of {count_of(whole, 'tile')}. The same run with --resume goes on from there."
                )
        raise
    spool.remove()


def _opened(held: RunFolder, identity: Identity, resume: bool | None, told: Progress) -> tuple[Spool, list[Fault]]:
    """The spool, and warnings that belong to it."""
    kept = sorted(held.spools.iterdir(), key=_age) if held.spools.is_dir() else []
    own = held.spools / identity.digest[:16]
    now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    facts = {**identity.facts, "processor": processor_name(), "begun": now}
    if resume is False:
        if kept:
            told.say(f"Threw away the tiles of {_count(len(kept), 'stopped run')}.")
            try:
                shutil.rmtree(held.spools)
            except OSError as error:
                raise disk_error(error, held.spools) from error
        return Spool(own, identity.digest, facts), []
    if own in kept:
        before = kept_facts(own) or facts
        spool = Spool(own, identity.digest, facts, keep=True)
        warnings = []
        if spool.damaged:
            told.say(f"{_count(spool.damaged, 'kept tile')} had been damaged, and will be judged again.")
        if spool.tiles and before["processor"] != facts["processor"]:
            what = f"the kept tiles were made on another processor ({before['processor']}): last digits may differ"
            warnings.append(Fault("W602", what, str(held.path), "use --fresh where every byte must be the same"))
        return spool, warnings
    if not kept:
        if resume:
            told.say("No stopped run's tiles are kept here; starting from the beginning.")
        return Spool(own, identity.digest, facts), []
    last = kept_facts(kept[-1])
    what_changed = changes(last, facts) if last else [_unreadable(kept[-1])]
    if resume:
        raise UnderoakError(*what_changed)
    size = sum(path.stat().st_size for path in held.spools.rglob("*") if path.is_file()) / 1e6
    what = f"tiles of {_count(len(kept), 'stopped run')} are kept here and not used ({size:,.0f} MB)"
    reason = f"; {what_changed[0].where}: {what_changed[0].what}" if last else ""
    warning = Fault("W606", what + reason, str(held.path), "take the change back to go on with them, or use --fresh")
    return Spool(own, identity.digest, facts), [warning]


def _unreadable(spool: Path) -> Fault:
    what = "the tiles of the stopped run cannot be read, so they cannot be matched to this plan"
    return Fault("E602", what, str(spool), "throw it away with --fresh")


def _age(spool: Path) -> float:
    return max((path.stat().st_mtime for path in spool.iterdir()), default=0.0) if spool.is_dir() else 0.0


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"
