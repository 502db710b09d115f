"""Compiled kernels on disk, found again only while every source they are made from is the same."""

from __future__ import annotations

import contextlib
import hashlib
import os
import pickle
import shutil
import sys
import uuid
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numba import __version__ as numba_version
from numba.core import config
from numba.core.compiler import CompileResult
from numba.core.serialize import dumps
from numba.misc.appdirs import AppDirs

from underoak.base.compilation.source_digest import PACKAGE, is_unchanged, source_digest

VERSIONS_ON_DISK = 3  # of each module; older ones are removed


class KernelCache:
    """The compiled code of one kernel on disk, one file for each signature: what a dispatcher of numba calls its cache.

    Numba's own cache (`cache=True`) looks at the kernel's own file only, so that a change in another file's helper or
    constant leaves the old result. Its "cache locators" and NUMBA_CACHE_DIR can change the folder and the stamp, but
    only for all of a process, the host's code included. All signatures of a kernel also share an index, and processes
    that save at once can mix up each other's code there. So each dispatcher gets one of these instead.

    A cache can only save time. A file that is missing, torn or of another CPU, and a folder that cannot be written,
    mean that the kernel is compiled.
    """

    def __init__(self, function: Callable[..., Any]) -> None:
        self._module = function.__module__
        self._bytecode = hashlib.sha256(function.__code__.co_code).digest()  # -O changes it
        self._stem = f"{function.__qualname__}-{function.__code__.co_firstlineno}"
        self._folder = _folder(self._module)

    @property
    def cache_path(self) -> str:
        """Return the folder where new code goes, for `Dispatcher.stats`."""
        return str(next(self._folders()))

    def exists(self) -> bool:
        """Return True if code for the present sources is on disk, for any signature."""
        return any(any(folder.glob(f"{self._stem}-*.nbc")) for folder in self._folders())

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """Return the compiled code of a signature, or None."""
        target_context.refresh()
        key = self._key(sig, target_context.codegen())
        for folder in self._folders():
            try:
                stored_key, parts = pickle.loads((folder / self._name(key)).read_bytes())
                if stored_key == key:
                    return CompileResult._rebuild(target_context, *parts)
            except Exception:  # see the class
                continue
        return None

    def save_overload(self, sig: Any, result: Any) -> None:
        """Write the compiled code of a signature to the first folder that can be written."""
        if result.library.has_dynamic_globals or any(not lifted.can_cache for lifted in result.lifted):
            return  # it holds addresses of this process
        if not is_unchanged(self._module):
            return  # edited since this process started: nobody knows which version was compiled
        key = self._key(sig, result.codegen)
        with contextlib.suppress(Exception):
            data = dumps((key, result._reduce()))
            for folder in self._folders():
                with contextlib.suppress(OSError):
                    _make(folder)
                    _write(folder / self._name(key), data)
                    return

    def flush(self) -> None:
        """Forget all signatures, as `Dispatcher.recompile` wants."""
        for folder in self._folders():
            for path in folder.glob(f"{self._stem}-*.nbc"):
                with contextlib.suppress(OSError):
                    path.unlink()

    def _folders(self) -> Iterator[Path]:
        return (root / self._folder for root in _roots())

    def _key(self, sig: Any, codegen: Any) -> tuple[Any, ...]:
        return sig, codegen.magic_tuple(), self._bytecode

    def _name(self, key: tuple[Any, ...]) -> str:
        return f"{self._stem}-{hashlib.sha256(str(key).encode()).hexdigest()[:16]}.nbc"


def has_cache(function: Callable[..., Any]) -> bool:
    """Return True if a function's code goes to disk: it is of this package, and depends on nothing but sources."""
    return function.__module__.startswith(f"{PACKAGE}.") and function.__closure__ is None


def _roots() -> Iterator[Path]:
    """Yield the folders for compiled code, best first: NUMBA_CACHE_DIR, the package's own, the user's."""
    if config.CACHE_DIR:
        yield Path(config.CACHE_DIR) / PACKAGE
    yield Path(__file__).parents[2] / "__pycache__" / "kernels"
    yield Path(AppDirs(appname=PACKAGE, appauthor=False).user_cache_dir) / "kernels"


@cache
def _folder(module: str) -> Path:
    versions = f"{source_digest(module)} {sys.implementation.cache_tag} {numba_version} {np.__version__}"
    return Path(module, hashlib.sha256(versions.encode()).hexdigest()[:16])


def _make(folder: Path) -> None:
    """Make a folder of code; whoever makes it removes the oldest beside it. A process that uses those compiles anew."""
    try:
        folder.mkdir(parents=True)
    except FileExistsError:
        return
    with contextlib.suppress(OSError):  # others remove, too
        newest_first = sorted(folder.parent.iterdir(), key=lambda path: path.stat().st_mtime_ns, reverse=True)
        for path in newest_first[VERSIONS_ON_DISK:]:
            shutil.rmtree(path, ignore_errors=True)


def _write(path: Path, data: bytes) -> None:
    part = path.with_name(f"{path.name}.{uuid.uuid4().hex[:16]}")
    try:
        part.write_bytes(data)
        os.replace(part, path)
    except OSError:
        part.unlink(missing_ok=True)
        raise
