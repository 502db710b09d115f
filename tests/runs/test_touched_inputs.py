"""Inputs that are overwritten during a run and put back: no tile of a foreign content is published."""

import os
import shutil

import numpy as np
import pytest
import rasterio

from underoak.base.errors import UnderoakError
from underoak.engine.storage import input_files
from underoak.runs import run as runs

from crash import die, in_child
from strip import TILES, Listener, go, kept_tiles, result


@pytest.fixture(scope="module")
def undisturbed(land, tmp_path_factory):
    out = tmp_path_factory.mktemp("undisturbed")
    go(*land, out, workers=1)
    return result(out)


@pytest.fixture
def here(land, tmp_path):
    return shutil.copytree(land[1], tmp_path / "here")


class Hooked(Listener):
    """Does something when a number of tiles is done, for several numbers."""

    def __init__(self, **hooks):
        super().__init__()
        self.hooks = {int(name[1:]): hook for name, hook in hooks.items()}

    def advance(self, parts=1):
        super().advance(parts)
        self.hooks.pop(self.tiles, lambda: None)()


class Disturbed:
    """A file that gets other cells of the same size and times, and its own again."""

    def __init__(self, path, how):
        self.path, self.how = path, how
        self.before = os.stat(path)
        self.good = path.read_bytes()

    def spoil(self):
        with rasterio.open(self.path) as raster:
            profile, cells = raster.profile, raster.read(1)
        foreign = self.path.with_name("foreign.tif")
        with rasterio.open(foreign, "w", **profile) as raster:
            raster.write(cells[::-1, ::-1].copy(), 1)
        data = foreign.read_bytes()
        if self.how == "overwrite":
            self.path.write_bytes(data)
        else:
            os.replace(self.path, self.path.with_name("aside.tif"))
            os.replace(foreign, self.path)
        self._put_times_back()

    def put_back(self):
        if self.how == "overwrite":
            self.path.write_bytes(self.good)
        else:
            os.replace(self.path.with_name("aside.tif"), self.path)
        self._put_times_back()
        assert self.path.read_bytes() == self.good
        assert os.stat(self.path).st_mtime_ns == self.before.st_mtime_ns

    def _put_times_back(self):
        os.utime(self.path, ns=(self.before.st_atime_ns, self.before.st_mtime_ns))


@pytest.fixture(params=["overwrite", "rename"])
def dem(here, request):
    return Disturbed(here / "dem.tif", request.param)


def unwatched(monkeypatch):
    """Nobody looks at the inputs between the first and the last tile, as where a look takes long."""
    monkeypatch.setattr(input_files.Inputs, "watch", lambda self: False)


@pytest.mark.parametrize("is_watched", [True, False])
def test_a_file_that_is_put_back_during_the_run_leaves_nothing_foreign(
    land, here, undisturbed, dem, tmp_path, monkeypatch, is_watched
):
    if not is_watched:
        unwatched(monkeypatch)
    listener = Hooked(_1=dem.spoil, _3=dem.put_back) if not is_watched else Hooked(_2=dem.spoil)
    if is_watched:  # spoilt and put back between two looks
        true = input_files.Inputs.watch

        def looks(self):
            if listener.tiles == 3:
                dem.put_back()
                listener.tiles += 1
            return true(self) if listener.tiles != 2 else False

        monkeypatch.setattr(input_files.Inputs, "watch", looks)
    run = go(land[0], here, tmp_path / "out", workers=1, progress=listener)
    assert result(tmp_path / "out") == undisturbed
    assert any(text.startswith("Touched while the run was reading: dem.tif.") for text in listener.heard)
    assert run.manifest.when.tiles_kept == 0


def test_a_file_that_is_foreign_when_the_run_is_killed_leaves_nothing_foreign(
    land, here, undisturbed, dem, tmp_path, monkeypatch
):
    def killed():
        unwatched(monkeypatch)
        go(land[0], here, tmp_path / "out", workers=1, progress=Hooked(_1=dem.spoil, _4=die))

    assert in_child(killed) == -9
    assert kept_tiles(tmp_path / "out") == 4
    dem.put_back()
    listener = Listener()
    go(land[0], here, tmp_path / "out", workers=1, resume=True, progress=listener)
    assert result(tmp_path / "out") == undisturbed
    assert listener.tiles == TILES
    assert any("4 saved tiles may come from another content of an input" in text for text in listener.heard)


def test_tiles_that_were_confirmed_before_are_reused(land, here, undisturbed, dem, tmp_path):
    def killed():
        def spoil_and_die():
            dem.spoil()
            die()

        go(land[0], here, tmp_path / "out", workers=1, progress=Hooked(_3=spoil_and_die))

    assert in_child(killed) == -9
    dem.put_back()
    listener = Listener()
    go(land[0], here, tmp_path / "out", workers=1, resume=True, progress=listener)
    assert result(tmp_path / "out") == undisturbed
    assert listener.tiles == TILES - 3


def test_tiles_of_an_untouched_input_need_no_later_look(land, here, undisturbed, tmp_path, monkeypatch):
    def killed():
        unwatched(monkeypatch)
        go(land[0], here, tmp_path / "out", workers=1, progress=Hooked(_3=die))

    assert in_child(killed) == -9
    listener = Listener()
    go(land[0], here, tmp_path / "out", workers=1, resume=True, progress=listener)
    assert listener.tiles == TILES - 3
    assert result(tmp_path / "out") == undisturbed


def test_a_file_that_is_linked_during_the_run_does_not_stop_it(land, here, undisturbed, tmp_path):
    listener = Hooked(_2=lambda: os.link(here / "dem.tif", tmp_path / "backup.tif"))
    go(land[0], here, tmp_path / "out", workers=1, progress=listener)
    assert result(tmp_path / "out") == undisturbed
    assert TILES < listener.tiles <= TILES + 3  # those since the last look, and those in flight


def test_a_file_that_is_touched_after_the_last_tile_stops_the_run_and_the_tiles_are_kept(
    land, here, undisturbed, dem, tmp_path, monkeypatch
):
    true = runs.write_results

    def disturbed(*args):
        dem.spoil()
        true(*args)
        dem.put_back()

    with monkeypatch.context() as patch:
        patch.setattr(runs, "write_results", disturbed)
        with pytest.raises(UnderoakError) as caught:
            go(land[0], here, tmp_path / "out", workers=1)
    assert [(f.code, os.path.basename(f.where)) for f in caught.value.faults] == [("E601", "dem.tif")]
    assert caught.value.exit_code == 6
    assert not (tmp_path / "out" / "run.json").exists()
    listener = Listener()
    go(land[0], here, tmp_path / "out", workers=1, resume=True, progress=listener)
    assert listener.tiles == 0
    assert result(tmp_path / "out") == undisturbed


def test_a_file_that_is_touched_again_and_again_stops_the_run(land, here, tmp_path, monkeypatch):
    count = iter(range(1000))
    true = input_files.Inputs.watch

    def restless(self):
        os.chmod(here / "ph.tif", 0o600 + next(count) % 8)
        return true(self)

    monkeypatch.setattr(input_files.Inputs, "watch", restless)
    with pytest.raises(UnderoakError) as caught:
        go(land[0], here, tmp_path / "out", workers=1)
    assert [(f.code, os.path.basename(f.where)) for f in caught.value.faults] == [("E601", "ph.tif")]


def test_a_file_that_is_foreign_while_it_is_opened_stops_the_run(land, here, dem, tmp_path, monkeypatch):
    true = runs.prepare_run

    def disturbed(*args, **options):
        dem.spoil()
        ready = true(*args, **options)
        dem.put_back()
        return ready

    monkeypatch.setattr(runs, "prepare_run", disturbed)
    with pytest.raises(UnderoakError) as caught:
        go(land[0], here, tmp_path / "out", workers=1)
    assert [(f.code, os.path.basename(f.where)) for f in caught.value.faults] == [("E601", "dem.tif")]


def test_the_cells_of_the_foreign_file_would_have_shown(land, here, undisturbed, dem, tmp_path):
    dem.spoil()
    go(land[0], here, tmp_path / "out", workers=1)
    assert not np.array_equal(result(tmp_path / "out")[0]["suitability.tif"], undisturbed[0]["suitability.tif"])
