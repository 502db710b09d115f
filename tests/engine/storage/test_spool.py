"""The spool gives back what was kept, never anything else, whatever was torn, flipped or killed."""

import os
import shutil
import threading
import time

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.base.grid import Grid, Window
from underoak.engine.judge.counts import CaseCounts, TileCounts
from underoak.engine.storage import spool as spools
from underoak.engine.storage.journal import line, read_lines
from underoak.engine.storage.spool import TILE, Spool, TileResult, saved_facts
from underoak.plan.case import Case

CASE = Case("present", "tuber_melanosporum", "", "Tuber melanosporum")
GRID = Grid.north_up("EPSG:25831", 0.0, 0.0, 30.0, 2 * TILE + 300, 3 * TILE - 100)


def judged(window: Window) -> TileResult:
    """What a tile is made of, from its place alone."""
    blocks, parts = [], []
    for row in range(window.row // 512, -(-(window.row + window.rows) // 512)):
        for col in range(window.col // 512, -(-(window.col + window.cols) // 512)):
            noise = np.random.default_rng((row, col)).bytes(40 + 7 * row + col)
            blocks += [((0, 0, row, col), noise), ((0, 1, row, col), noise[::-1])]
            parts.append(((row, col), noise[:9]))
    cells = window.rows * window.cols
    cases = {CASE: CaseCounts(classes={1: cells}, drawn={"ph": 3 * cells})}
    notes = TileCounts(inside=cells, read={"dem": 2 * cells}, cases=cases)
    some = [(key, data) for key, data in blocks if (key[2] + key[3]) % 3 == 0]
    return TileResult(window, {"a.tif": blocks, "b.tif": some}, {(CASE, "parcels"): parts}, notes)


def whole(spool: Spool):
    """Everything a finished spool holds, read back."""
    pieces = {(name, key): spool.read(piece) for name, table in spool.pieces.items() for key, piece in table.items()}
    parts = {(name, key): spool.read(piece) for name, table in spool.parts.items() for key, piece in table.items()}
    return pieces, parts, spool.notes


def filled(folder, tile=TILE, tiles=None) -> Spool:
    spool = Spool(folder, "one plan", {"title": "t"})
    for window in list(GRID.tiles(tile))[:tiles]:
        spool.add(judged(window))
    return spool


def finished(folder, tile=TILE, identity="one plan"):
    spool = Spool(folder, identity, {"title": "t"}, keep=True)
    kept = spool.tiles
    for window in spool.missing(GRID, tile):
        spool.add(judged(window))
    found = whole(spool)
    spool.close()
    return found, kept


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory):
    spool = filled(tmp_path_factory.mktemp("undisturbed") / "spool")
    found = whole(spool)
    spool.remove()
    assert found[2].inside == GRID.rows * GRID.cols
    return found


@pytest.fixture(scope="module")
def stopped(tmp_path_factory):
    """A spool that was left with five of nine tiles done."""
    folder = tmp_path_factory.mktemp("stopped") / "spool"
    filled(folder, tiles=5).close()
    return folder


def copy_of(stopped, tmp_path):
    folder = tmp_path / "spool"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(stopped, folder)
    return folder


def test_kept_tiles_are_gone_on_with(stopped, undisturbed, tmp_path):
    assert finished(copy_of(stopped, tmp_path)) == (undisturbed, 5)


@pytest.mark.parametrize("tile", [TILE, 2 * TILE, 5 * TILE])
def test_the_tile_size_may_change_between_stop_and_resume(undisturbed, tmp_path, tile):
    filled(tmp_path / "small", tiles=5).close()
    assert finished(tmp_path / "small", tile) == (undisturbed, 5)
    filled(tmp_path / "large", tile, tiles=1).close()
    found, kept = finished(tmp_path / "large")
    assert found == undisturbed
    assert kept == len(spools._squares(next(GRID.tiles(tile))))


def test_a_tile_that_comes_twice_counts_once(undisturbed, tmp_path):
    spool = filled(tmp_path / "spool")
    for window in GRID.tiles(TILE):
        spool.add(judged(window))
    assert whole(spool) == undisturbed
    spool.remove()


def test_another_identity_begins_anew(stopped, undisturbed, tmp_path):
    assert finished(copy_of(stopped, tmp_path), identity="another plan") == (undisturbed, 0)


def test_without_keep_the_old_tiles_go(stopped, tmp_path):
    spool = Spool(copy_of(stopped, tmp_path), "one plan")
    assert spool.tiles == 0
    assert spool.missing(GRID, TILE) == list(GRID.tiles(TILE))
    spool.close()


def test_facts_are_there_for_people(stopped, tmp_path):
    assert saved_facts(stopped) == {"title": "t"}
    assert saved_facts(tmp_path) is None


def test_a_spool_without_tiles_leaves_nothing_behind(tmp_path):
    Spool(tmp_path / "spool", "one plan").close()
    assert list(tmp_path.iterdir()) == []


def test_overviews_are_not_taken_for_tiles_after_a_stop(stopped, undisturbed, tmp_path):
    folder = copy_of(stopped, tmp_path)
    spool = Spool(folder, "one plan", keep=True)
    for window in spool.missing(GRID, TILE):
        spool.add(judged(window))
    size = spool.size
    spool.add_block("a.tif", (2, 0, 0, 0), b"half made")
    spool.close()
    Spool(folder, "one plan", keep=True).close()
    assert (folder / "blocks.bin").stat().st_size == size
    found, kept = finished(folder)
    assert (found, kept) == (undisturbed, 9)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_torn_or_flipped_anywhere_it_still_ends_in_the_right_bytes(stopped, undisturbed, tmp_path, data):
    folder = copy_of(stopped, tmp_path)
    for _ in range(data.draw(st.integers(1, 4))):
        path = folder / data.draw(st.sampled_from(["blocks.bin", "journal.txt"]))
        content = bytearray(path.read_bytes())
        if not content:
            continue
        at = data.draw(st.integers(0, len(content) - 1))
        match data.draw(st.sampled_from(["cut", "flip", "zero", "drop", "repeat"])):
            case "cut":
                del content[at:]
            case "flip":
                content[at] ^= 1 << data.draw(st.integers(0, 7))
            case "zero":
                content[at : at + 600] = bytes(min(600, len(content) - at))
            case "drop":
                del content[at : at + data.draw(st.integers(1, 300))]
            case "repeat":
                content[at:at] = content[at // 2 : at]
        path.write_bytes(content)
    found, kept = finished(folder)
    assert found == undisturbed
    assert kept <= 5


def test_lines_in_another_order_overwrite_no_tile(stopped, undisturbed, tmp_path):
    folder = copy_of(stopped, tmp_path)
    header, *lines = (folder / "journal.txt").read_bytes().splitlines(keepends=True)
    (folder / "journal.txt").write_bytes(header + b"".join(reversed(lines)))
    assert finished(folder) == (undisturbed, 5)


def test_every_tile_before_a_torn_line_is_kept(stopped, undisturbed, tmp_path):
    whole_journal = (stopped / "journal.txt").read_bytes()
    lines = whole_journal.splitlines(keepends=True)
    for at, end in enumerate(np.cumsum([len(text) for text in lines])[1:]):
        folder = copy_of(stopped, tmp_path)
        (folder / "journal.txt").write_bytes(whole_journal[: end - 1])
        assert finished(folder) == (undisturbed, at)


def test_a_damaged_tile_is_judged_again_and_told_a_torn_one_is_not_told(stopped, tmp_path):
    folder = copy_of(stopped, tmp_path)
    content = bytearray((folder / "blocks.bin").read_bytes())
    content[10] ^= 1
    (folder / "blocks.bin").write_bytes(content)
    with open(folder / "journal.txt", "ab") as journal:
        journal.write(b'deadbeef {"tile":[0,')
    spool = Spool(folder, "one plan", keep=True)
    assert (spool.tiles, spool.damaged) == (4, 1)
    assert spool.missing(GRID, TILE)[0] == Window(0, 0, TILE, TILE)
    spool.close()


def test_blocks_are_with_the_system_before_the_line_that_tells_of_them(tmp_path):
    spool = Spool(tmp_path / "spool", "one plan")
    order = []
    put = spools._put

    def told(file, data):
        put(file, data)
        order.append((os.path.basename(file.name) if isinstance(file.name, str) else "blocks.bin", len(data)))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(spools, "_put", told)
        spool.add(judged(Window(0, 0, TILE, TILE)))
    names = [name for name, _ in order]
    assert names == ["blocks.bin"] * (len(names) - 1) + ["journal.txt"]
    assert (tmp_path / "spool" / "blocks.bin").stat().st_size == sum(size for _, size in order[:-1])
    assert (tmp_path / "spool" / "journal.txt").read_bytes().endswith(b"\n")
    spool.close()


def test_tiles_reach_the_disk_every_few_seconds_without_the_writer_waiting(tmp_path, monkeypatch):
    monkeypatch.setattr(spools, "_SYNC_SECONDS", 0.02)
    synced, slow, fsync = [], threading.Event(), os.fsync

    def counted(handle):
        if threading.current_thread().name == "spool":
            synced.append(os.readlink(f"/proc/self/fd/{handle}").rsplit("/", 1)[-1])
            slow.wait(5)
        fsync(handle)

    monkeypatch.setattr(os, "fsync", counted)
    spool = filled(tmp_path / "spool", tiles=1)
    until = time.monotonic() + 5
    while not synced and time.monotonic() < until:
        time.sleep(0.01)
    spool.add(judged(list(GRID.tiles(TILE))[1]))  # while the disk is busy
    assert spool.tiles == 2
    slow.set()
    while len(synced) < 4 and time.monotonic() < until:
        time.sleep(0.01)
    spool.close()
    assert synced[:4] == ["blocks.bin", "journal.txt"] * 2


def test_a_disk_that_fails_while_syncing_stops_the_run_at_the_next_tile(tmp_path, monkeypatch):
    monkeypatch.setattr(spools, "_SYNC_SECONDS", 0.01)
    spool = Spool(tmp_path / "spool", "one plan")
    tried = threading.Event()

    def full(handle):
        tried.set()
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    spool.add(judged(Window(0, 0, TILE, TILE)))
    assert tried.wait(5)
    spool._syncing.join(5)
    with pytest.raises(UnderoakError) as caught:
        spool.add(judged(Window(0, TILE, TILE, TILE)))
    assert caught.value.faults[0].code == "E501"
    spool.close()


def test_a_journal_line_says_itself_whether_it_is_whole():
    text = line({"tile": [0, 1], "of": {"a.tif": [[0, 1, 2]]}})
    assert list(read_lines(text * 2)) == [{"tile": [0, 1], "of": {"a.tif": [[0, 1, 2]]}}] * 2
    for at in range(len(text)):
        for bit in range(8):
            flipped = bytearray(text)
            flipped[at] ^= 1 << bit
            assert {"tile": [0, 1], "of": {"a.tif": [[0, 1, 2]]}} not in list(read_lines(bytes(flipped)))
        assert list(read_lines(text[:at])) in ([], [None])
