"""The built wheel works by itself, away from the checkout."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


def command(*words, folder, **more):
    environment = {**os.environ, **more}
    return subprocess.run(
        [sys.executable, *map(str, words)], cwd=folder, env=environment, capture_output=True, text=True, check=False
    )


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """A folder with the package as the wheel holds it, and nothing of the checkout."""
    wheels, folder = tmp_path_factory.mktemp("wheel"), tmp_path_factory.mktemp("installed")
    build = command("-m", "pip", "wheel", "--no-deps", "--no-build-isolation", "-w", wheels, ROOT, folder=wheels)
    assert build.returncode == 0, build.stderr
    (wheel,) = wheels.glob("*.whl")
    install = command("-m", "pip", "install", "--no-deps", "--no-compile", "--target", folder, wheel, folder=wheels)
    assert install.returncode == 0, install.stderr
    return folder


@pytest.fixture(scope="module")
def kernels(tmp_path_factory):
    """A cache outside the package: what the checkout compiled from the same sources is not compiled again."""
    shared = ROOT / "pipeline" / "underoak" / "__pycache__" / "kernels"
    shared.mkdir(parents=True, exist_ok=True)
    folder = tmp_path_factory.mktemp("kernels")
    (folder / "underoak").symlink_to(shared, target_is_directory=True)
    return {"NUMBA_CACHE_DIR": os.environ.get("NUMBA_CACHE_DIR", str(folder))}


def underoak(installed, kernels, folder, *words):
    more = {"PYTHONPATH": str(installed), "PYTHONDONTWRITEBYTECODE": "1", **kernels}
    return command("-m", "underoak", *words, folder=folder, **more)


def test_it_runs_the_demo_outside_the_checkout(installed, kernels, tmp_path):
    more = {"PYTHONPATH": str(installed), "PYTHONDONTWRITEBYTECODE": "1"}
    where = command("-c", "import underoak; print(underoak.__file__)", folder=tmp_path, **more)
    assert Path(where.stdout.strip()).is_relative_to(installed)
    demo = underoak(installed, kernels, tmp_path, "demo", "--progress", "none")
    assert demo.returncode == 0, demo.stderr
    assert "rank" in demo.stdout
    assert (tmp_path / "out" / "demo" / "report.html").stat().st_size > 100_000


def test_it_carries_profiles_plans_and_starters(installed, kernels, tmp_path):
    assert "tuber_melanosporum" in underoak(installed, kernels, tmp_path, "species").stdout
    assert underoak(installed, kernels, tmp_path, "new", "mine", "--for", "region").returncode == 0
    assert (tmp_path / "mine" / "plan.yaml").exists()


def test_it_carries_its_types(installed):
    assert (installed / "underoak" / "py.typed").is_file()


@pytest.mark.skipif(not (ROOT / ".git").exists() or shutil.which("git") is None, reason="no checkout of git")
def test_it_carries_what_the_checkout_keeps_and_no_leftovers(installed):
    git = ("git", "-c", "safe.directory=*", "ls-files", "pipeline/underoak", "configs", "sample_rasters")
    listed = subprocess.run(git, cwd=ROOT, capture_output=True, text=True, check=True).stdout.split()
    kept = {
        name.removeprefix("pipeline/") if name.startswith("pipeline/") else f"underoak/_data/{name}": name
        for name in listed
    }
    names = {path.relative_to(installed).as_posix() for path in (installed / "underoak").rglob("*") if path.is_file()}
    assert names == kept.keys()
    for name, original in kept.items():
        assert (installed / name).read_bytes() == (ROOT / original).read_bytes(), name
