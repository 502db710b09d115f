"""A checksum over everything that the code of a module is made from: its source and those it imports from this package.

Numba freezes helpers and constants of other modules into a kernel. All it can freeze is reached by import, so the
sources that a module imports, directly or through others, are all that a compiled kernel can depend on.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

PACKAGE = "underoak"
_ROOT = Path(__file__).parents[3]
# plain text search: parsing would take a hundred times as long, and tests hold that both find the same
_FROM = re.compile(rb"from (underoak[\w.]*) import (\([^)]*\)|[^\n]*)")
_IMPORT = re.compile(rb"import (underoak[\w.]*)")
_NAME = re.compile(rb"\w+")


@dataclass(frozen=True)
class _Source:
    """A module's source as it was when it was read."""

    path: Path
    checksum: bytes
    state: tuple[int, int]
    imports: tuple[str, ...]


def imported_modules(module: str) -> tuple[str, ...]:
    """Return the modules of this package that a module's source imports, anywhere in it, sorted."""
    return _source(module).imports


@cache
def source_digest(module: str) -> str:
    """Return a SHA-256 over the sources of a module and of all it imports from this package, as hexadecimal digits."""
    digest = hashlib.sha256()
    for name in sorted(_reached(module)):
        digest.update(name.encode() + b" " + _source(name).checksum + b"\n")
    return digest.hexdigest()


def is_unchanged(module: str) -> bool:
    """Return True if none of the files that `source_digest` has read was written to since."""
    try:
        return all(_state(_source(name).path) == _source(name).state for name in _reached(module))
    except OSError:
        return False


@cache
def _reached(module: str) -> frozenset[str]:
    reached, waiting = {module}, [module]
    while waiting:
        new = set(_source(waiting.pop()).imports) - reached
        reached |= new
        waiting += new
    return frozenset(reached)


@cache
def _source(module: str) -> _Source:
    path = _path(module)
    if path is None:
        raise ModuleNotFoundError(f"no source of {module} in {_ROOT}", name=module)
    state, text = _state(path), path.read_bytes()
    return _Source(path, hashlib.sha256(text).digest(), state, tuple(sorted(set(_imports(text)))))


def _imports(text: bytes) -> Iterator[str]:
    for match in _IMPORT.finditer(text):
        yield match[1].decode()
    for match in _FROM.finditer(text):
        module = match[1].decode()
        names = [f"{module}.{name.decode()}" for name in _NAME.findall(match[2])]
        submodules = [name for name in names if _path(name)] if _is_package(module) else []
        yield from submodules
        if len(submodules) < len(names):
            yield module


@cache
def _path(module: str) -> Path | None:
    stem = os.path.join(_ROOT, *module.split("."))
    paths = (f"{stem}.py", os.path.join(stem, "__init__.py"))
    return next((Path(path) for path in paths if os.path.isfile(path)), None)


def _is_package(module: str) -> bool:
    path = _path(module)
    return path is not None and path.name == "__init__.py"


def _state(path: Path) -> tuple[int, int]:
    status = path.stat()
    return status.st_mtime_ns, status.st_size
