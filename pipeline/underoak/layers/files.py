"""Input files: where they may lie. A file that the plan names may be anywhere on this machine.

A file that another file names (a mosaic's sources) must lie inside a trust root: the plan's folder, or one of
`trust.roots`. Nothing is fetched from elsewhere. Links are followed before the test, not after.
"""

from __future__ import annotations

import os
import re
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from underoak.base.errors import Fault, Problems, UnderoakError, did_you_mean
from underoak.base.memory_errors import has_room, is_shortage, shortage

_OTHER_KINDS = (
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a zip archive"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"\x89PNG", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"GIF8", "a GIF picture"),
    (b"version https://git-lfs", "a pointer to a file in large-file storage"),
    (b"<!doctype html", "a web page"),
    (b"<html", "a web page"),
    (b"{", "a text in JSON, such as an error message"),
)  # signatures from memory
_SIGNATURE_BYTES = 64

if TYPE_CHECKING:
    from underoak.plan.keys.region import TrustSpec

MAX_BLOCK_BYTES = 256 * 2**20
MAX_CELLS = 2.0e9
WORLD_TO_REGION = 250.0  # the default lets a global mosaic of 60 m cells in, and no header that only claims to be large
_REMOTE = re.compile(r"^\s*(?:[a-z][a-z0-9+.\-]*://|[\\/]+vsi|\\\\)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Trust:
    """A plan's limits: folders that files may name files in, and how large a raster may be."""

    roots: tuple[str, ...]  # real paths
    max_cells: float = MAX_CELLS

    @property
    def max_source_cells(self) -> float:
        """Cells of the largest raster that is opened; it may cover the world: only the region's cells are read."""
        return WORLD_TO_REGION * self.max_cells

    @classmethod
    def from_plan(cls, base: Path, trust: TrustSpec | None = None) -> Trust:
        """Return the plan's folder with the roots and the limit of its `trust:`; roots are relative to that folder."""
        named = trust.roots if trust is not None else ()
        roots = dict.fromkeys(os.path.realpath(base / root) for root in (".", *named))
        return cls(tuple(roots), float(trust.max_cells) if trust is not None else MAX_CELLS)

    def contains(self, path: str) -> bool:
        """Return whether a real path lies inside a root."""
        return any(path == root or path.startswith(root.rstrip(os.sep) + os.sep) for root in self.roots)


def read_shortage(error: BaseException, what: str, where: str) -> UnderoakError | None:
    """Return the error of a read for which there was no memory; None for another cause.

    Where a block of the largest size would fit, memory is not short: the file is damaged, and claims too much.
    """
    return shortage(f"reading {what}", where) if is_shortage(error) and not has_room(MAX_BLOCK_BYTES) else None


def is_remote(name: str) -> bool:
    """Return whether a name is an address on a network or inside a virtual file system.

    >>> [is_remote(n) for n in ("HTTP://a/b.tif", "/vsizip//vsicurl/x", "s3://b/k", "data/http.tif", "C:/a.tif")]
    [True, True, True, False, False]
    """
    return bool(_REMOTE.match(name))


def input_path(name: str, base: Path, where: str, folder: bool = False) -> Path:
    """Return the real path of an input file (or folder), which exists and is one.

    Raises:
        UnderoakError: E242 an address elsewhere, E245 not a regular file (or not a folder), E246 not there.
    """
    if is_remote(name):
        what = "this lies on a network or in a virtual file system, and inputs are read from this machine only"
        raise UnderoakError(Fault("E242", what, where, "copy the file here and name the copy"))
    if "\0" in name:
        raise UnderoakError(Fault("E246", "a file name cannot hold a NUL character", where, "correct the name"))
    path = Path(os.path.realpath(base / name))
    if is_remote(str(path)):
        raise UnderoakError(
            Fault("E242", "inputs are read from this machine's own folders only", where, "move the file")
        )
    try:
        mode = path.stat().st_mode
    except (FileNotFoundError, NotADirectoryError) as error:
        raise UnderoakError(Fault("E246", f"there is no file {path}", where, _suggest_name(path))) from error
    except OSError as error:
        what = f"{path} cannot be inspected ({error.strerror})"
        raise UnderoakError(Fault("E246", what, where, "check its name and permissions")) from error
    is_right_kind = stat.S_ISDIR(mode) if folder else stat.S_ISREG(mode)
    if not is_right_kind:
        kind_wanted = "folder" if folder else "regular file"
        what = f"{path} is a {_kind_name(mode)}, not a {kind_wanted}"
        raise UnderoakError(Fault("E245", what, where, f"name a {kind_wanted}"))
    if not os.access(path, os.R_OK):
        raise UnderoakError(Fault("E246", f"{path} may not be read", where, "change its permissions"))
    return path


def check_size(shape: tuple[int, int], block_bytes: float, max_cells: float, where: str, problems: Problems) -> bool:
    """Return whether a raster fits into memory, by its header alone; add E231 if not."""
    rows, cols = shape
    is_fine = True
    if rows <= 0 or cols <= 0:
        problems.add("E231", f"it has {rows} rows and {cols} columns", where, "name a raster with cells")
        is_fine = False
    if rows * cols > max_cells:
        what = f"it claims {rows} x {cols} cells, and the plan allows {max_cells:.3g}"
        problems.add("E231", what, where, 'cut out your region first, or raise "max_cells:" under "trust:"')
        is_fine = False
    if block_bytes > MAX_BLOCK_BYTES:
        size = f"{block_bytes / 2**20:,.0f} MiB"
        what = f"one stored block takes {size} in memory, more than the limit of {MAX_BLOCK_BYTES >> 20} MiB"
        problems.add("E231", what, where, "write it again in tiles of 512 x 512 cells")
        is_fine = False
    return is_fine


FileStamp = tuple[int, int, int, int]


def file_stamp(path: Path | str) -> FileStamp:
    """Return what tells whether a file is still the one that was opened: size [bytes], times [ns] and inode.

    A program can put back the time of change, but not the time of status change, which Windows lacks.
    """
    status = os.stat(path)
    return status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino


def _kind_name(mode: int) -> str:
    if stat.S_ISDIR(mode):
        return "folder"
    return {stat.S_IFIFO: "pipe", stat.S_IFREG: "file", stat.S_IFSOCK: "socket"}.get(stat.S_IFMT(mode), "device")


def _suggest_name(path: Path) -> str:
    folder = path.parent
    while not folder.is_dir() and folder != folder.parent:
        folder = folder.parent
    if folder != path.parent:
        return f"the folder {path.parent} does not exist either"
    try:
        siblings = [entry.name for entry in os.scandir(folder)]
    except OSError:
        siblings = []
    return did_you_mean(path.name, sorted(siblings), f"look in {folder}")


def format_number(value: float) -> str:
    """Return a number as its shortest text of up to nine digits.

    >>> format_number(-32768.0), format_number(0.1), format_number(1e20)
    ('-32768', '0.1', '1e+20')
    """
    return f"{value:.9g}"


def other_kind(path: Path, where: str) -> Fault | None:
    """Return a fault (E230) for a file that is no raster; None for any other, and for one that cannot be read.

    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "ph.tif"
    >>> _ = path.write_bytes(b"%PDF-1.4 ...")
    >>> print(other_kind(path, "soil_ph"))
    E230 soil_ph: ph.tif is a PDF document, not a raster. Fix: name the raster file; a download may have gone wrong
    """
    if not path.is_file():
        return None
    try:
        with path.open("rb") as file:
            start = file.read(_SIGNATURE_BYTES).lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    except OSError:
        return None
    kind = next((name for signature, name in _OTHER_KINDS if start.startswith(signature.lower())), None)
    if kind is None:
        return None
    fix = "name the raster file; a download may have gone wrong"
    if "archive" in kind:
        fix = "unpack it, and name the file inside"
    return Fault("E230", f"{path.name} is {kind}, not a raster", where, fix)
