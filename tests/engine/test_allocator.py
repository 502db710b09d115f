"""What becomes of memory between two tiles, and in whose process."""

import subprocess
import sys

import pytest
import yaml
from click.testing import CliRunner

import underoak as uo
from underoak.cli import main
from underoak.engine import allocator, system
from underoak.engine.prepare.prepare import prepare
from underoak.engine.progress import Progress
from underoak.engine.storage.spool import Spool
from underoak.engine.workers.pool import Threads
from underoak.engine.workers.runner import run_tiles
from underoak.engine.workers.tile import CaseJob, TileJob
from underoak.layers.formats import gdal

from noise import small_country

RESIDENT = """
import resource
import numpy as np
from underoak.engine import allocator

def resident():
    with open("/proc/self/statm") as file:
        return int(file.read().split()[1]) * resource.getpagesize()

allocator.retain_freed()
cells = [np.ones(1 << 19, np.float32) for _ in range(32)]
full = resident()
del cells
freed = resident()
allocator.release_freed()
print(full - freed, freed - resident())
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="other systems' allocators are left alone")
def test_freed_memory_is_kept_for_the_next_tile_until_it_is_released():
    done = subprocess.run([sys.executable, "-c", RESIDENT], check=True, capture_output=True, text=True)
    lost_when_freed, lost_when_released = map(int, done.stdout.split())
    assert lost_when_freed < 4e6  # of 67 MB
    assert lost_when_released > 50e6


class Library:
    """A C library that notes its calls."""

    def __init__(self):
        self.calls = []

    def mallopt(self, *_):
        self.calls.append("mallopt")

    def malloc_trim(self, _):
        self.calls.append("malloc_trim")


@pytest.fixture
def library(monkeypatch):
    library = Library()
    monkeypatch.setattr(system, "allocator", lambda: library)
    return library


def test_only_the_command_line_changes_settings_of_the_allocator(tmp_path, library):
    plan = small_country(tmp_path)
    uo.run(uo.load_plan(plan, base=tmp_path), out=tmp_path / "by_a_host")
    assert set(library.calls) == {"malloc_trim"}
    (tmp_path / "plan.yaml").write_text(yaml.safe_dump(plan))
    result = CliRunner().invoke(main, ["run", str(tmp_path / "plan.yaml"), "--out", str(tmp_path / "by_command")])
    assert result.exit_code == 0, result.output
    assert "mallopt" in library.calls


def test_importing_the_package_leaves_the_allocator_alone():
    script = """
import ctypes
calls, load = [], ctypes.CDLL.__init__
ctypes.CDLL.__init__ = lambda self, name, *args, **kwargs: (calls.append(name), load(self, name, *args, **kwargs))[1]
import underoak, underoak.engine.allocator, underoak.engine.system
from underoak import cli
assert None not in calls, calls  # None: the C library that the process itself uses
"""
    subprocess.run([sys.executable, "-c", script], check=True)


class Counting(Threads):
    """Threads that note which files were still open when tiles began, and how often memory had been released."""

    def __init__(self, workers, library):
        super().__init__(workers)
        self.library = library

    def results(self, work, windows):
        self.open_at_first = len(gdal._thread.handles)
        self.released_at_first = len(self.library.calls)
        return super().results(work, windows)


def test_checking_leaves_nothing_in_memory_and_tiles_release_it_in_between_and_at_the_end(country, tmp_path, library):
    plan, folder = country
    loaded = uo.load_plan(plan, base=folder)
    prepared = prepare(loaded)
    with gdal.gdal_settings():  # a file that was looked into and is open still
        gdal.cached_handle("dem", lambda: gdal.open_raster(str(folder / "dem.tif"), "GTiff"))
    assert len(gdal._thread.handles) >= 1
    library.calls.clear()
    pool, spool = Counting(1, library), Spool(tmp_path / "spool", "x")
    run_tiles(TileJob(prepared.recipe, (CaseJob(loaded.case, ()),)), spool, 1024, pool, Progress("none"))
    assert (pool.open_at_first, pool.released_at_first) == (0, 1)
    due = sum(map(allocator.is_release_due, range(1, spool.tiles + 1)))
    assert len(library.calls) == 1 + due + 1
    assert due > 0
    spool.remove()
