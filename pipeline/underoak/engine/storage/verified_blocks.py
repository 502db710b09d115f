"""A record of the stored blocks that were verified in earlier runs, by the SHA-256 of their file.

It lies in the user's cache folder and only saves time: without it, every run verifies all blocks that it reads. A file
of other content has another SHA-256, so a changed file is verified again.
"""

from __future__ import annotations

import contextlib
import os
import uuid
from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np
import numpy.typing as npt

from underoak.engine.storage.journal import line, read_lines
from underoak.engine.system import cache_folder

_NAME, _FORMAT = "verified_blocks.txt", 1
_MOST_BYTES = 4 * 2**20  # beyond that, the older half is dropped

Numbers = npt.NDArray[np.int64]


def read_verified(checksums: Iterable[str]) -> dict[str, Numbers]:
    """Return the blocks verified before of files of these contents, by SHA-256; nothing if there is no record."""
    requested, spans = set(checksums), dict[str, list[Numbers]]()
    try:
        content = (cache_folder() / _NAME).read_bytes()
    except OSError:
        return {}
    for entry in read_lines(content):
        if entry is None or entry.get("format") != _FORMAT or entry.get("sha256") not in requested:
            continue
        spans.setdefault(entry["sha256"], []).append(numbers_of(entry["blocks"]))
    return {checksum: np.unique(np.concatenate(numbers)) for checksum, numbers in spans.items()}


def add_verified(blocks: Mapping[str, Numbers]) -> None:
    """Add verified blocks, by the SHA-256 of their file; do nothing if the record cannot be written."""
    lines = [
        line({"format": _FORMAT, "sha256": checksum, "blocks": spans_of(numbers)})
        for checksum, numbers in blocks.items()
        if numbers.size
    ]
    if not lines:
        return
    path = cache_folder() / _NAME
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        with open(path, "ab", buffering=0) as record:  # one write, so that lines of two runs do not mix
            record.write(b"\n" + b"".join(lines))  # the last line there may be torn
        if path.stat().st_size > _MOST_BYTES:
            _drop_older_half(path)


def _drop_older_half(path: Path) -> None:
    content = path.read_bytes()
    newer = content[content.index(b"\n", len(content) // 2) + 1 :]
    part = path.with_name(f"{path.name}.{uuid.uuid4().hex[:16]}")
    part.write_bytes(newer)
    os.replace(part, path)


def spans_of(numbers: Numbers) -> list[list[int]]:
    """Return ascending numbers as spans, each from its first to its last number.

    >>> spans_of(np.array([0, 1, 2, 7]))
    [[0, 2], [7, 7]]
    """
    breaks = np.flatnonzero(np.diff(numbers) != 1)
    firsts, lasts = numbers[np.r_[0, breaks + 1]], numbers[np.r_[breaks, len(numbers) - 1]]
    return [[int(first), int(last)] for first, last in zip(firsts, lasts, strict=True)]


def numbers_of(spans: Iterable[Iterable[int]]) -> Numbers:
    """Return the numbers of spans, as `spans_of` gives them."""
    return np.concatenate([np.arange(first, last + 1) for first, last in spans]).astype(np.int64)
