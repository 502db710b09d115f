"""What becomes of memory between two tiles."""

import subprocess
import sys

import pytest

import underoak as uo
from underoak.engine import allocator
from underoak.engine.prepare.prepare import prepare
from underoak.engine.progress import Progress
from underoak.engine.storage.spool import Spool
from underoak.engine.workers.pool import Threads
from underoak.engine.workers.runner import run_tiles
from underoak.engine.workers.tile import TileJob
from underoak.layers.formats import gdal

FAULTS = """
import resource
import numpy as np
from underoak.engine import heap

def faults():
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    for _ in range(20):
        cells = [np.ones(1 << 19, np.float32) for _ in range(8)]
        del cells
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before

def resident():
    with open("/proc/self/statm") as file:
        return int(file.read().split()[1]) * resource.getpagesize()

heap.keep()
faults()
again, before = faults(), resident()
heap.give_back()
print(again, before - resident())
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only there the allocator is told anything")
def test_memory_of_one_tile_serves_the_next_and_is_given_back_at_the_end():
    done = subprocess.run([sys.executable, "-c", FAULTS], check=True, capture_output=True, text=True)
    again, given_back = map(int, done.stdout.split())
    assert again < 400  # 20 times 4,096 pages would be fetched anew
    assert given_back > 8e6


class Counting(Threads):
    """Threads that tell which files were still open when tiles began, and how often memory had been given back."""

    def results(self, work, windows):
        self.open_at_first = len(gdal._own.open)
        self.given_at_first = len(GIVEN)
        return super().results(work, windows)


GIVEN = []


def test_checking_leaves_nothing_in_memory_and_tiles_give_back_in_between_and_at_the_end(
    country, tmp_path, monkeypatch
):
    plan, folder = country
    prepared = prepare(uo.load_plan(plan, base=folder))
    with gdal.gdal_settings():  # a file that was looked into and is open still
        gdal.cached_handle("dem", lambda: gdal.open_raster(str(folder / "dem.tif"), "GTiff"))
    assert len(gdal._own.open) >= 1
    GIVEN.clear()
    monkeypatch.setattr(allocator, "give_back", lambda: GIVEN.append(1))
    pool, spool = Counting(1), Spool(tmp_path / "spool", "x")
    run_tiles(TileJob(prepared.recipe, (), ()), spool, 1024, pool, Progress("none"))
    assert (pool.open_at_first, pool.given_at_first) == (0, 1)
    due = sum(map(allocator.is_time_to_give_back, range(1, spool.tiles + 1)))
    assert len(GIVEN) == 1 + due + 1
    assert due > 0
    spool.remove()
