"""Files under names that the shapes' library takes as they stand.

It reads `!` as the way into an archive, `;` as the end of a name and `%20` as a blank: of two folders "a b" and "a%20b"
it would read the one for the other; and it opens no GeoPackage at the end of a long path. A file under such a name is
read by a link (or a copy) under a plain one, and written under a plain one first.
"""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_LONGEST = 400  # bytes; SQLite takes 511, and writes a journal beside
_PLAIN = re.compile(r"[\w ./\\:()+,=@~-]*")


def is_plain(path: Path) -> bool:
    """True for a name that means itself to every library.

    >>> is_plain(Path("/home/Noël/my land/a-1.gpkg")), is_plain(Path("a%20b/a.gpkg")), is_plain(Path("a!b.gpkg"))
    (True, False, False)
    """
    return _PLAIN.fullmatch(str(path)) is not None and len(os.fsencode(path)) <= _LONGEST


@contextmanager
def plain_to_read(path: Path, files: Iterable[str | Path] = ()) -> Iterator[Path]:
    """A plain name of a file for a while; `files` are all it consists of, which differ in their endings."""
    if is_plain(path):
        yield path
        return
    with tempfile.TemporaryDirectory(prefix="underoak-") as folder:
        name = path.stem if is_plain(Path(path.stem)) else "shapes"
        for part in map(Path, files or (path,)):
            _lead(Path(folder, name + part.suffix), part.resolve())
        yield Path(folder, name + path.suffix)


@contextmanager
def plain_to_write(path: Path) -> Iterator[Path]:
    """A plain name to write a file under; it is at its own place when the block is done."""
    if is_plain(path):
        yield path
        return
    with tempfile.TemporaryDirectory(prefix="underoak-") as folder:
        made = Path(folder, "shapes" + path.suffix)
        yield made
        shutil.copyfile(made, path)


def _lead(link: Path, file: Path) -> None:
    if len(os.fsencode(file)) <= _LONGEST:  # SQLite follows the link, and measures where it leads to
        with suppress(OSError, NotImplementedError):  # not everybody may link on Windows
            os.symlink(file, link)
            return
    shutil.copyfile(file, link)
