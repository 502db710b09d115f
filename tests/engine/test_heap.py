"""What becomes of memory between two tiles."""

import subprocess
import sys

import pytest

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
