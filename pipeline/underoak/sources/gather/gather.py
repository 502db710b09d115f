"""Gathering: the files of a plan from open data, surveyed, confirmed, fetched, checked, and written."""

from __future__ import annotations

import contextlib
import os
import re
import threading
import uuid
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from underoak.base.errors import Fault, Problems, UnderoakError
from underoak.plan.plan import Plan
from underoak.sources.catalogue.addresses import address, fill
from underoak.sources.catalogue.tile_rules import TILE_RULES, Tile
from underoak.sources.cells.decoder import Decoder
from underoak.sources.cells.mosaic import check_values, mosaic
from underoak.sources.cells.part import Part, PartCells
from underoak.sources.fetch.blob_store import BlobStore
from underoak.sources.fetch.hosts import Hosts, host_of
from underoak.sources.fetch.remote_file import RemoteFile
from underoak.sources.fetch.requests import Requests
from underoak.sources.gather.provenance import is_there, provenance, provenance_path, sha256
from underoak.sources.gather.wanted import Wanted, wanted_files

MOST_FILES = 2000  # remote files of one plan
MOST_CELLS = 200_000_000  # of one file
_MOST_LIST_BYTES = 64_000_000
_AT_ONCE = 8  # remote files
_Given = TypeVar("_Given")
_Result = TypeVar("_Result")


@dataclass
class Task:
    """A file to make, with the remote files that it needs."""

    wanted: Wanted
    parts: list[Part] = field(default_factory=list)
    absent: list[str] = field(default_factory=list)
    listing: dict[str, Any] | None = None
    bytes_to_come: int = 0


@dataclass(frozen=True)
class Survey:
    """What is to do: the tasks, and the files that are there already."""

    tasks: tuple[Task, ...]
    there: tuple[Wanted, ...]

    @property
    def n_files(self) -> int:
        """Remote files that are read."""
        return sum(len(task.parts) for task in self.tasks)

    @property
    def bytes_to_come(self) -> int:
        """Bytes that are still to be fetched; those of bytes that are read twice count twice."""
        return sum(task.bytes_to_come for task in self.tasks)


@dataclass(frozen=True)
class Gathered:
    """What was gathered: the files that were made, those that were there already, and the bytes that came."""

    files: tuple[Wanted, ...]
    there: tuple[Wanted, ...]
    fetched_bytes: int


def gather(
    plan: Plan, store_folder: Path, confirm: Callable[[Survey], bool], *, is_offline: bool = False,
    sources: Path | None = None,
) -> Gathered | None:  # fmt: skip
    """Make the files that a plan wants from open data, each with a file on where it comes from beside it.

    Args:
        plan: from `load_plan`.
        store_folder: folder of the bytes that were fetched, for all plans.
        confirm: gets what is to do, and returns whether to go on.
        is_offline: use only what was fetched before.
        sources: folder with catalogue files of the user's.

    Returns:
        What was gathered; None if it was not confirmed.

    Raises:
        UnderoakError: every fault at once: E230, E232, E241, E306, E380, E381, E501, E502, E710 to E720.
    """
    problems = Problems()
    wanted = wanted_files(plan, sources, problems)
    problems.stop_if_any()
    if not wanted:
        raise UnderoakError(
            Fault("E381", "no layer of the plan has `gather`", str(plan.path or "plan"), "add it to a layer")
        )
    store = BlobStore(store_folder)
    requests = None if is_offline else Requests(_hosts(plan, wanted))
    to_make, there = _split(wanted, problems)
    problems.stop_if_any()
    tasks = [task for task in _each(lambda each: _task(each, requests, store), to_make, problems) if task is not None]
    problems.stop_if_any()
    parts = [part for task in tasks for part in task.parts]
    if len(parts) > MOST_FILES:
        what = f"{len(parts)} remote files are needed, and {MOST_FILES} are read for one plan"
        raise UnderoakError(Fault("E510", what, "region", "use a smaller region"))
    sizes = _each(lambda part: part.survey(), parts, problems)
    problems.stop_if_any()
    by_part = dict(zip(map(id, parts), sizes, strict=True))
    for task in tasks:
        task.bytes_to_come = sum(by_part[id(part)] or 0 for part in task.parts)
    survey = Survey(tuple(tasks), there)
    if tasks and not confirm(survey):
        return None
    with Decoder() as decoder:
        cells = dict(zip(map(id, parts), _each(lambda part: part.read(decoder), parts, problems), strict=True))
    problems.stop_if_any()
    for task in tasks:
        try:
            _write(task, [cells[id(part)] for part in task.parts])
        except UnderoakError as error:
            problems.add_error(error)
    problems.stop_if_any()
    store.prune()
    return Gathered(tuple(to_make), there, sum(part.remote.fetched_bytes for part in parts))


def _hosts(plan: Plan, wanted: Sequence[Wanted]) -> Hosts:
    patterns = [each.chosen.data_set.address for each in wanted]
    patterns += [
        each.chosen.data_set.tiles.listing.address
        for each in wanted
        if each.chosen.data_set.tiles is not None and each.chosen.data_set.tiles.listing is not None
    ]
    allowed = frozenset(host_of(pattern.value) for pattern in patterns if pattern is not None)
    return Hosts(allowed, frozenset(host.lower() for host in plan.trust.allow_hosts or ()))


def _split(wanted: Sequence[Wanted], problems: Problems) -> tuple[list[Wanted], tuple[Wanted, ...]]:
    """Return the files to make, and those that are there already."""
    to_make: list[Wanted] = []
    there: list[Wanted] = []
    for each in wanted:
        try:
            (there if is_there(each) else to_make).append(each)
        except UnderoakError as error:
            problems.add_error(error)
    return to_make, tuple(there)


def _each(work: Callable[[_Given], _Result], items: Sequence[_Given], problems: Problems) -> list[_Result | None]:
    """Do some work on each item, several side by side; faults go to `problems`, and their results are None."""
    lock = threading.Lock()

    def one(item: _Given) -> _Result | None:
        try:
            return work(item)
        except UnderoakError as error:
            with lock:
                failed.append((id(item), error))
            return None

    failed: list[tuple[int, UnderoakError]] = []
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        results = list(pool.map(one, items))
    by_item = dict(failed)
    for item in items:  # in the plan's order, whoever came first
        if id(item) in by_item:
            problems.add_error(by_item[id(item)])
    return results


def _task(wanted: Wanted, requests: Requests | None, store: BlobStore) -> Task:
    """Return the remote files of a file; tiles that the set's own list does not have are absent."""
    chosen = wanted.chosen
    each, band = chosen.data_set, chosen.band
    assert each.tiles is not None
    assert each.cell is not None
    left, bottom, right, top = wanted.bounds
    n_cells = (right - left) / each.cell.value[0] * (top - bottom) / each.cell.value[1]
    if n_cells > MOST_CELLS:
        million = n_cells / 1e6
        most = f"at most {MOST_CELLS // 10**6} million are made"
        what = f"the region has {million:.0f} million cells of {each.title}; {most}"
        raise UnderoakError(Fault("E510", what, wanted.where, "use a smaller region, or a coarser data set"))
    tiles = TILE_RULES[each.tiles.rule].over(wanted.bounds, band.blocks or 1)
    task = Task(wanted)
    if each.tiles.listing is not None:
        try:
            names, task.listing = _list(wanted, requests, store)
        except UnderoakError:
            if not each.tiles.listing.address.is_unsure:
                raise
            names = frozenset(tile.name for tile in tiles)  # no proof of absence: each tile must be there
        task.absent = [tile.name for tile in tiles if tile.name not in names]
        tiles = tuple(tile for tile in tiles if tile.name in names)
        if not tiles:
            what = f"{each.title} has no tile there, by its own list"
            raise UnderoakError(Fault("E716", what, wanted.where, "move the region; it may be sea"))
    for month in range(1, 13) if band.months else (None,):
        task.parts += [_part(wanted, tile, month, requests, store) for tile in tiles]
    return task


def _part(wanted: Wanted, tile: Tile, month: int | None, requests: Requests | None, store: BlobStore) -> Part:
    remote = RemoteFile(address(wanted.chosen, tile.name, month), requests, store)
    return Part(wanted.chosen, tile, month, remote, wanted.bounds)


def _list(wanted: Wanted, requests: Requests | None, store: BlobStore) -> tuple[frozenset[str], dict[str, Any]]:
    """Return the names in a set's own list of tiles, and what the list was.

    Raises:
        UnderoakError: E716 for a list without any name, E71x for one that cannot be read.
    """
    tiles = wanted.chosen.data_set.tiles
    assert tiles is not None
    assert tiles.listing is not None
    remote = RemoteFile(fill(tiles.listing.address.value, wanted.chosen), requests, store)
    text = remote.whole(_MOST_LIST_BYTES).decode("utf-8", "replace")
    remote.save()
    names = frozenset(re.findall(tiles.listing.pattern, text))
    if not names:
        fix = "correct `tiles: listing:` in the catalogue"
        raise UnderoakError(Fault("E716", "the set's list of tiles names none", remote.address, fix))
    assert remote.stamp is not None
    record = {
        "address": remote.address, "etag": remote.stamp.etag, "last_modified": remote.stamp.last_modified,
        "sha256": remote.spans[f"0-{remote.stamp.length}"], "tiles": len(names),
    }  # fmt: skip
    return names, record


def _write(task: Task, cells: Sequence[PartCells | None]) -> None:
    """Write a file and where it comes from; each gets its name when it is complete, the raster last."""
    from underoak.layers.formats.raster_bytes import write_cog

    wanted = task.wanted
    by_month: dict[int, list[PartCells]] = {}
    present = [(part, each) for part, each in zip(task.parts, cells, strict=True) if each is not None]
    if not present:
        what = f"{wanted.chosen.data_set.title} has no cell in the region"
        raise UnderoakError(Fault("E716", what, wanted.where, "move the region, or choose another data set"))
    for part, each in present:
        by_month.setdefault(part.month or 1, []).append(each)
    bands = [mosaic(parts, wanted.where) for _, parts in sorted(by_month.items())]
    n_bands = 12 if wanted.chosen.band.months else 1
    if len(bands) != n_bands or len({(band.frame, band.cells.shape) for band in bands}) > 1:
        what = "the files of its months do not cover the same cells"
        raise UnderoakError(Fault("E720", what, wanted.where, "report it to the publisher"))
    check_values(bands, wanted.chosen, wanted.where)
    first, crs = present[0][1], wanted.chosen.data_set.crs
    assert crs is not None
    try:
        wanted.file.parent.mkdir(parents=True, exist_ok=True)
        temporary = wanted.file.with_name(f".{uuid.uuid4().hex}.tif")
        beside = temporary.with_suffix(".json")
        try:
            write_cog(
                temporary, np.stack([band.cells for band in bands]), crs.value, bands[0].frame, bands[0].nodata,
                first.scale, first.offset, f"{wanted.chosen.set_name} {wanted.chosen.name}",
            )  # fmt: skip
            headers = [each.header for _, each in present]
            text = provenance(
                wanted, [part for part, _ in present], headers, task.absent, task.listing, sha256(temporary)
            )
            beside.write_text(text, encoding="utf-8", newline="\n")
            for path in (temporary, beside):
                with path.open("rb+") as file:
                    os.fsync(file.fileno())
            os.replace(beside, provenance_path(wanted.file))
            os.replace(temporary, wanted.file)
        finally:
            for path in (temporary, beside):
                with contextlib.suppress(OSError):
                    path.unlink()
    except OSError as error:
        what = f"cannot be written ({error.strerror or error})"
        raise UnderoakError(Fault("E502", what, str(wanted.file), "free space, or change its permissions")) from error
