"""A decoder that kills the process while tiles are judged leaves a note, and the next run names the file."""

import os
import re
import shutil
import signal

import pytest

from underoak.base.errors import UnderoakError
from underoak.engine.prepare import file_checks
from underoak.engine.storage.read_note import note_reads, take_note
from underoak.layers.formats import geotiff
from underoak.layers.formats.read_watch import watch_read
from underoak.runs import judging

from crash import in_child
from strip import TILES, Listener, go, kept_tiles, result


def dies_while_reading(land, out, signum):
    """A run in a process of its own, which a signal ends during a read of the elevation."""

    def killed():
        true, note = geotiff._open_handle, out / ".underoak" / "reading"

        def deadly(path, *args):
            if path.endswith("dem.tif") and note.exists():  # tiles are being judged
                os.kill(os.getpid(), signum)
            return true(path, *args)

        geotiff._open_handle = deadly
        go(*land, out, workers=1)

    assert in_child(killed) == -signum


@pytest.fixture(scope="module")
def died(land, tmp_path_factory):
    out = tmp_path_factory.mktemp("died") / "out"
    dies_while_reading(land, out, signal.SIGSEGV)
    return out


@pytest.fixture
def out(died, tmp_path):
    return shutil.copytree(died, tmp_path / "out")


def crashing(stack, noted):
    """Read again as `reread` does, with a decoder that crashes."""
    for what, where in noted:
        with watch_read(what, where):
            os.kill(os.getpid(), signal.SIGSEGV)


def test_the_note_names_file_and_place(out):
    ((what, where),) = take_note(out / ".underoak" / "reading")
    assert where == "elevation (dem.tif)"
    assert re.fullmatch(r"rows \d+\+\d+, columns \d+\+\d+", what)
    assert take_note(out / ".underoak" / "reading") == []


def test_the_next_run_reads_there_first_and_names_a_file_that_crashes(land, out, monkeypatch):
    kept = kept_tiles(out)
    monkeypatch.setattr(judging, "reread", crashing)
    with pytest.raises(UnderoakError) as caught:
        go(*land, out)
    (fault,) = caught.value.faults
    assert (fault.code, fault.where, caught.value.exit_code) == ("E232", "elevation (dem.tif)", 4)
    assert "ended the process that read it (SIGSEGV)" in fault.what
    assert kept_tiles(out) == kept


def test_a_run_that_was_killed_while_it_read_a_sound_file_resumes(land, out, tmp_path):
    go(*land, tmp_path / "undisturbed")
    kept, listener = kept_tiles(out), Listener()
    go(*land, out, resume=True if kept else None, progress=listener)
    assert listener.tiles == TILES - kept
    assert result(out) == result(tmp_path / "undisturbed")
    assert not (out / ".underoak").exists()


def test_the_noted_cells_are_read_again_from_the_layers_that_name_the_file():
    read = []

    class Source:
        class request:
            where = "elevation (dem.tif)"

        class grid:
            shape = (100, 80)

        def read(self, window):
            read.append((window.row, window.col, *window.shape))

    class Layer:
        class source_layer:
            sources = (Source(),)

    class Stack:
        layers = (Layer(),)

    noted = [("rows 7+20, columns 70+30", "elevation (dem.tif)"), ("rows 1+1, columns 1+1", "ph (ph.tif)"),
             ("its header", "elevation (dem.tif)")]  # fmt: skip
    file_checks.reread(Stack(), noted)
    assert read == [(7, 70, 20, 10)]


@pytest.mark.parametrize("content", [b"", b"\0" * 5000, b"[1, 2, 3]\0", b"\xff\xfe{", b"[" * 3000])
def test_a_note_of_any_content_is_read(tmp_path, content):
    (tmp_path / "reading").write_bytes(content)
    assert take_note(tmp_path / "reading") == []


def test_reads_are_noted_while_they_last_and_the_note_goes_in_the_end(tmp_path):
    path = tmp_path / "reading"
    with note_reads(path):
        with watch_read("rows 0+1, columns 0+1", "a" * 3000 + "\0é\n"):  # cut, and then left out
            pass
        with watch_read("rows 0+5, columns 6+7", "größe (ü.tif)"):
            copy = tmp_path / "copy"
            shutil.copy(path, copy)
            assert take_note(copy) == [("rows 0+5, columns 6+7", "größe (ü.tif)")]
        shutil.copy(path, copy)
        assert take_note(copy) == []
    assert not path.exists()
    with note_reads(tmp_path / "no folder" / "reading"), watch_read("x", "y"):
        pass
