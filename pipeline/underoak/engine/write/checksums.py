"""Checksums and sizes of files, and the versions of the software that made them."""

from __future__ import annotations

import hashlib
import os
import platform
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

_PACKAGES = (
    "underoak", "numpy", "numba", "scipy", "rasterio", "pyproj", "shapely", "pandas", "geopandas", "pyogrio",
    "xarray", "h5netcdf", "zarr", "cftime", "pydantic", "Pint", "pyflwdir",
)  # fmt: skip
_CHUNK = 1 << 22


@dataclass(frozen=True, slots=True)
class FileRecord:
    """A file: its path from a base folder, its size in bytes and its SHA-256."""

    path: str
    size: int
    sha256: str


@dataclass(frozen=True, slots=True)
class InputRecord(FileRecord):
    """A file that a run read."""

    of: tuple[str, ...]  # the keys of the plan that name it, such as layers.soil_ph


def sha256(path: Path) -> str:
    """Return the SHA-256 of a file, or of the names and checksums of all files in a folder (a Zarr store)."""
    digest = hashlib.sha256()
    if path.is_dir():
        for inner in sorted(p for p in path.rglob("*") if p.is_file()):
            digest.update(f"{inner.relative_to(path).as_posix()} {sha256(inner)}\n".encode())
        return digest.hexdigest()
    with open(path, "rb") as file:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()


def size_of(path: Path) -> int:
    """Return the size of a file, or of all files in a folder, in bytes."""
    return sum(p.stat().st_size for p in path.rglob("*") if p.is_file()) if path.is_dir() else path.stat().st_size


def file_records(paths: Iterable[Path], base: Path) -> list[FileRecord]:
    """Return the records of files, in order of name, each once."""
    return [FileRecord(relative_path(path, base), size_of(path), sha256(path)) for path in sorted(set(paths))]


def input_records(files: Mapping[Path, Iterable[str]], base: Path) -> list[InputRecord]:
    """Return the records of files that are read, given with the keys of the plan that name them, in order of name."""
    names: dict[Path, set[str]] = {}
    for path, of in files.items():
        names.setdefault(path.resolve(), set()).update(of)
    return [
        InputRecord(relative_path(path, base), size_of(path), sha256(path), tuple(sorted(names[path])))
        for path in sorted(names)
    ]


def relative_path(path: Path, base: Path) -> str:
    """Return a path from a base folder, with forward slashes; the whole path if it is on another drive."""
    try:
        return Path(os.path.relpath(path.resolve(), base.resolve())).as_posix()
    except ValueError:  # on another drive
        return str(path)


def software() -> dict[str, str]:
    """Return the versions of all software that can change a result; looked up once in a process."""
    return dict(_software())


@cache
def _software() -> dict[str, str]:
    import pyproj
    import rasterio
    import shapely

    versions = {"python": platform.python_version(), "machine": platform.machine()}
    for name in _PACKAGES:
        try:
            versions[name] = version(name)
        except PackageNotFoundError:
            continue
    versions["gdal"] = rasterio.__gdal_version__
    versions["proj"] = pyproj.proj_version_str
    versions["geos"] = shapely.geos_version_string
    return versions
