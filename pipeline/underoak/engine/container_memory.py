"""The memory that a container allows its processes, and how many of them were killed for want of it.

Control groups of Linux, version 1 and 2. They are nested, and the smallest limit counts.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path, PurePosixPath

_NO_LIMIT = 2**60  # bytes: version 1 writes a huge number where there is no limit
_ROOT = Path("/")


def memory_limit(root: Path = _ROOT) -> int | None:
    """Return the limit on the memory of this process and its children [bytes]; None where there is none."""
    limits = []
    for folder in _groups(root):
        for name in ("memory.max", "memory.limit_in_bytes"):
            limits.append(_number(_text(folder / name)))
        # of groups further up, which a container may not see
        limits.append(_number(_entries(folder / "memory.stat").get("hierarchical_memory_limit", "")))
    real = [limit for limit in limits if limit is not None and 0 < limit < _NO_LIMIT]
    return min(real, default=None)


def memory_kills(root: Path = _ROOT) -> int | None:
    """Return how many processes the system has killed for want of memory, so far; None if unknown."""
    counts = [_number(_entries(root / "proc/vmstat").get("oom_kill", ""))]
    for folder in _groups(root):
        for name in ("memory.events", "memory.oom_control"):
            counts.append(_number(_entries(folder / name).get("oom_kill", "")))
    known = [count for count in counts if count is not None]
    return sum(known) if known else None


def _groups(root: Path) -> Iterator[Path]:
    """Yield the folders of this process's memory groups, from its own up to the topmost that can be seen."""
    mounts = {}  # version -> (folder that is mounted, where)
    for line in _text(root / "proc/self/mountinfo").splitlines():
        mount, _, system = line.partition(" - ")
        fields, (kind, *rest) = mount.split(), system.split() or [""]
        if len(fields) < 5 or not (kind == "cgroup2" or (kind == "cgroup" and "memory" in rest[-1].split(","))):
            continue
        mounts[kind] = PurePosixPath(fields[3]), PurePosixPath(fields[4])
    for line in _text(root / "proc/self/cgroup").splitlines():
        number, _, rest_of_line = line.partition(":")
        controllers, _, path = rest_of_line.partition(":")
        kind = "cgroup2" if number == "0" and not controllers else "cgroup"
        if kind not in mounts or (kind == "cgroup" and "memory" not in controllers.split(",")):
            continue
        mounted, at = mounts[kind]
        group = PurePosixPath(path)
        # a path outside what is mounted is named as another namespace sees it: the mounted folder is our own then
        inner = group.relative_to(mounted) if group.is_relative_to(mounted) else PurePosixPath()
        for part in (inner, *inner.parents):
            yield root / str(at / part).lstrip("/")


def _text(path: Path) -> str:
    with contextlib.suppress(OSError):
        return path.read_text(encoding="utf-8", errors="replace")
    return ""


def _entries(path: Path) -> dict[str, str]:
    """Return the lines of a file as names and values."""
    return dict(parts for line in _text(path).splitlines() if len(parts := line.split()) == 2)


def _number(text: str) -> int | None:
    return int(text) if text.strip().isdigit() else None
