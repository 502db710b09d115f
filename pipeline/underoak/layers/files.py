"""Where input files may lie. A file the plan names is the user's own word and may be anywhere on this machine.

A file that another file names (a mosaic's sources) must lie inside a trust root: the plan's folder, or one of
`trust.roots`. Nothing is fetched from elsewhere. Links are followed before the test, not after.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from underoak.base.errors import Fault, Problems, UnderoakError, did_you_mean

MOST_BLOCK_BYTES = 256 * 2**20
MOST_CELLS = 2.0e9
WORLD_TO_REGION = 250.0  # the default lets a global mosaic of 60 m cells in, and no header that only claims to be large
_REMOTE = re.compile(r"^\s*(?:[a-z][a-z0-9+.\-]*://|[\\/]+vsi|\\\\)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Trust:
    """What the plan trusts: folders that files may name files in, and how large a raster may be."""

    roots: tuple[str, ...]  # real paths
    max_cells: float = MOST_CELLS

    @property
    def max_source_cells(self) -> float:
        """Largest layer that is opened. It may be a mosaic of the whole world: only the region's cells are read."""
        return WORLD_TO_REGION * self.max_cells

    @classmethod
    def from_plan(cls, base: Path, trust: Any = None) -> Trust:
        """The plan's folder and the roots of its `trust:`, which count from that folder."""
        named: Iterable[Any] = getattr(trust, "roots", None) or ()
        most = getattr(trust, "max_cells", None)
        roots = dict.fromkeys(os.path.realpath(base / str(root)) for root in (".", *named))
        return cls(tuple(roots), MOST_CELLS if most is None else float(most))

    def contains(self, real: str) -> bool:
        """True when a real path lies inside a root."""
        return any(real == root or real.startswith(root.rstrip(os.sep) + os.sep) for root in self.roots)


def is_remote(name: str) -> bool:
    """True for an address on a network or inside a virtual file system.

    >>> [is_remote(n) for n in ("HTTP://a/b.tif", "/vsizip//vsicurl/x", "s3://b/k", "data/http.tif", "C:/a.tif")]
    [True, True, True, False, False]
    """
    return bool(_REMOTE.match(name))


def input_path(name: str, base: Path, where: str, folder: bool = False) -> Path:
    """The real path of an input file (or folder) that is there and is one.

    Raises:
        UnderoakError: E242 an address elsewhere, E245 not a regular file (or not a folder), E246 not there.
    """
    if is_remote(name):
        what = "this lies on a network or in a virtual file system, and inputs are read from this machine only"
        raise UnderoakError(Fault("E242", what, where, "copy the file here and name the copy"))
    if "\0" in name:
        raise UnderoakError(Fault("E246", "a file name cannot hold a NUL character", where, "correct the name"))
    real = Path(os.path.realpath(base / name))
    if is_remote(str(real)):
        raise UnderoakError(
            Fault("E242", "inputs are read from this machine's own folders only", where, "move the file")
        )
    try:
        mode = real.stat().st_mode
    except (FileNotFoundError, NotADirectoryError) as error:
        raise UnderoakError(Fault("E246", f"there is no file {real}", where, _near(real))) from error
    except OSError as error:
        what = f"{real} cannot be looked at ({error.strerror})"
        raise UnderoakError(Fault("E246", what, where, "check its name and permissions")) from error
    right = stat.S_ISDIR(mode) if folder else stat.S_ISREG(mode)
    if not right:
        wanted = "folder" if folder else "regular file"
        what = f"{real} is a {_kind(mode)}, not a {wanted}"
        raise UnderoakError(Fault("E245", what, where, f"name a {wanted}"))
    if not os.access(real, os.R_OK):
        raise UnderoakError(Fault("E246", f"{real} may not be read", where, "change its permissions"))
    return real


def check_size(shape: tuple[int, int], block_bytes: float, max_cells: float, where: str, problems: Problems) -> bool:
    """Refuse what would not fit into memory, by the header alone; True when it is fine."""
    rows, cols = shape
    fine = True
    if rows <= 0 or cols <= 0:
        problems.add("E231", f"it has {rows} rows and {cols} columns", where, "name a raster with cells")
        fine = False
    if rows * cols > max_cells:
        what = f"it claims {rows} x {cols} cells, more than the {max_cells:.3g} that are trusted"
        problems.add("E231", what, where, 'cut out your region first, or raise "max_cells:" under trust')
        fine = False
    if block_bytes > MOST_BLOCK_BYTES:
        size = f"{block_bytes / 2**20:,.0f} MiB"
        what = f"one stored block takes {size} in memory, and {MOST_BLOCK_BYTES >> 20} MiB is the most"
        problems.add("E231", what, where, "write it again in tiles of 512 x 512 cells")
        fine = False
    return fine


def file_stamp(path: Path | str) -> tuple[int, int]:
    """Size and time of change, to notice that a file is no longer the one that was opened."""
    status = os.stat(path)
    return status.st_size, status.st_mtime_ns


def _kind(mode: int) -> str:
    if stat.S_ISDIR(mode):
        return "folder"
    return {stat.S_IFIFO: "pipe", stat.S_IFREG: "file", stat.S_IFSOCK: "socket"}.get(stat.S_IFMT(mode), "device")


def _near(real: Path) -> str:
    folder = real.parent
    while not folder.is_dir() and folder != folder.parent:
        folder = folder.parent
    if folder != real.parent:
        return f"the folder {real.parent} is not there either"
    try:
        siblings = [entry.name for entry in os.scandir(folder)]
    except OSError:
        siblings = []
    return did_you_mean(real.name, sorted(siblings), f"look in {folder}")


def format_number(value: float) -> str:
    """A number as short as it can be said.

    >>> format_number(-32768.0), format_number(0.1), format_number(1e20)
    ('-32768', '0.1', '1e+20')
    """
    return f"{value:.9g}"
