"""Files under plain names, which the library for vector files takes as they stand.

It reads `!` as the way into an archive, `;` as the end of a name and `%20` as a blank: it mixes up the folders "a b"
and "a%20b"; and it cannot open a GeoPackage at the end of a long path. A file under such a name is read through a link
(or a copy) under a plain name, and written under a plain name first.
"""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_MAX_BYTES = 400  # bytes; SQLite takes 511, and writes a journal beside
_PLAIN = re.compile(r"[\w ./\\:()+,=@~-]*")


def is_plain(path: Path) -> bool:
    """Return whether every library takes a name as it stands.

    >>> is_plain(Path("/home/Noël/my land/a-1.gpkg")), is_plain(Path("a%20b/a.gpkg")), is_plain(Path("a!b.gpkg"))
    (True, False, False)
    """
    return _PLAIN.fullmatch(str(path)) is not None and len(os.fsencode(path)) <= _MAX_BYTES


@contextmanager
def plain_to_read(path: Path, files: Iterable[str | Path] = ()) -> Iterator[Path]:
    """Yield a plain name of a file; `files` are all the files it consists of, which differ in their endings."""
    if is_plain(path):
        yield path
        return
    with tempfile.TemporaryDirectory(prefix="underoak-") as folder:
        name = path.stem if is_plain(Path(path.stem)) else "shapes"
        for part in map(Path, files or (path,)):
            _link_or_copy(Path(folder, name + part.suffix), part.resolve())
        yield Path(folder, name + path.suffix)


@contextmanager
def plain_to_write(path: Path) -> Iterator[Path]:
    """Yield a plain name to write a file under; the file has its own name after the block."""
    if is_plain(path):
        yield path
        return
    with tempfile.TemporaryDirectory(prefix="underoak-") as folder:
        plain = Path(folder, "shapes" + path.suffix)
        yield plain
        shutil.copyfile(plain, path)


def _link_or_copy(link: Path, file: Path) -> None:
    if len(os.fsencode(file)) <= _MAX_BYTES:  # SQLite follows the link, and measures where it leads to
        with suppress(OSError, NotImplementedError):  # on Windows links may need a permission
            os.symlink(file, link)
            return
    shutil.copyfile(file, link)
