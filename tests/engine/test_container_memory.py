"""The memory a container allows: control groups of version 1 and 2, nested, seen from inside and from outside."""

import random

import pytest

from underoak.engine.container_memory import memory_kills, memory_limit

UNLIMITED = "9223372036854771712"  # what version 1 writes where there is no limit, in whole pages
V2 = "31 23 0:28 {mounted} /sys/fs/cgroup rw,relatime - cgroup2 cgroup2 rw\n"
V1 = "35 31 0:32 {mounted} /sys/fs/cgroup/memory rw,relatime shared:9 - cgroup cgroup rw,memory\n"
CPU = "32 31 0:29 / /sys/fs/cgroup/cpu rw,relatime - cgroup cgroup rw,cpu\n"


def system(root, mounts, groups, **files):
    proc = root / "proc" / "self"
    proc.mkdir(parents=True)
    (proc / "mountinfo").write_text(mounts)
    (proc / "cgroup").write_text(groups)
    for name, text in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f"{text}\n")
    return root


@pytest.mark.parametrize("seed", range(6))
def test_the_smallest_limit_of_nested_groups_counts(tmp_path, seed):
    chance = random.Random(seed)
    limits = [chance.choice([None, chance.randrange(2**20, 2**40)]) for _ in range(4)]
    version = chance.choice([1, 2])
    folder, file, none = (
        ("sys/fs/cgroup/memory", "memory.limit_in_bytes", UNLIMITED)
        if version == 1
        else ("sys/fs/cgroup", "memory.max", "max")
    )
    files = {f"{folder}{'/in' * depth}/{file}": limit or none for depth, limit in enumerate(limits)}
    mounts, group = (V1, "4:memory:/in/in/in\n1:cpu:/\n") if version == 1 else (V2, "0::/in/in/in\n")
    root = system(tmp_path, CPU + mounts.format(mounted="/"), group, **files)
    assert memory_limit(root) == min((limit for limit in limits if limit), default=None)


@pytest.mark.parametrize("mounted", ["/docker/4a55", "/", "/../../4a55"])
def test_a_container_sees_its_own_group_as_the_top(tmp_path, mounted):
    files = {"sys/fs/cgroup/memory/memory.limit_in_bytes": 700_000_000}
    system(tmp_path, V1.format(mounted=mounted), "4:memory:/docker/4a55\n", **files)
    assert memory_limit(tmp_path) == 700_000_000


def test_a_limit_that_lies_further_up_than_a_container_sees_counts(tmp_path):
    files = {"sys/fs/cgroup/memory/memory.limit_in_bytes": UNLIMITED,
             "sys/fs/cgroup/memory/memory.stat": "cache 1\nhierarchical_memory_limit 123456789"}  # fmt: skip
    assert memory_limit(system(tmp_path, V1.format(mounted="/"), "4:memory:/\n", **files)) == 123456789


def test_a_system_without_groups_or_limits_has_none(tmp_path):
    assert memory_limit(tmp_path) is None
    assert memory_kills(tmp_path) is None
    (tmp_path / "b").mkdir()
    root = system(tmp_path / "b", CPU, "1:cpu:/\n", **{"sys/fs/cgroup/cpu/memory.max": 5})
    assert memory_limit(root) is None


def test_kills_are_counted_by_group_and_system(tmp_path):
    files = {"sys/fs/cgroup/in/memory.events": "low 0\noom 5\noom_kill 3", "proc/vmstat": "pgfault 9\noom_kill 4"}
    assert memory_kills(system(tmp_path, V2.format(mounted="/"), "0::/in\n", **files)) == 7


def test_this_system_answers():
    limit = memory_limit()
    assert limit is None or limit > 0
