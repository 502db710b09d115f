"""The built wheel works by itself, away from the checkout."""

import os
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
    made, place = tmp_path_factory.mktemp("wheel"), tmp_path_factory.mktemp("installed")
    built = command("-m", "pip", "wheel", "--no-deps", "--no-build-isolation", "-w", made, ROOT, folder=made)
    assert built.returncode == 0, built.stderr
    (wheel,) = made.glob("*.whl")
    put = command("-m", "pip", "install", "--no-deps", "--no-compile", "--target", place, wheel, folder=made)
    assert put.returncode == 0, put.stderr
    return place


def underoak(installed, folder, *words):
    cache = str(folder / "numba")  # compiled code is not to be taken for something the wheel brought
    more = {"PYTHONPATH": str(installed), "NUMBA_CACHE_DIR": cache, "PYTHONDONTWRITEBYTECODE": "1"}
    return command("-m", "underoak", *words, folder=folder, **more)


def test_it_runs_the_demo_outside_the_checkout(installed, tmp_path):
    more = {"PYTHONPATH": str(installed), "PYTHONDONTWRITEBYTECODE": "1"}
    where = command("-c", "import underoak; print(underoak.__file__)", folder=tmp_path, **more)
    assert Path(where.stdout.strip()).is_relative_to(installed)
    done = underoak(installed, tmp_path, "demo", "--progress", "none")
    assert done.returncode == 0, done.stderr
    assert "rank" in done.stdout
    assert (tmp_path / "out" / "demo" / "report.html").stat().st_size > 100_000


def test_it_carries_profiles_plans_and_starters(installed, tmp_path):
    assert "tuber_melanosporum" in underoak(installed, tmp_path, "species").stdout
    assert underoak(installed, tmp_path, "new", "mine", "--for", "region").returncode == 0
    assert (tmp_path / "mine" / "plan.yaml").exists()


def test_it_carries_its_types(installed):
    assert (installed / "underoak" / "py.typed").is_file()


def test_it_carries_no_leftovers(installed):
    names = [p.relative_to(installed).as_posix() for p in installed.rglob("*") if p.is_file()]
    assert not [n for n in names if "__pycache__" in n or n.endswith((".pyc", ".nbi", ".nbc"))]
    assert not [n for n in names if "plans/data" in n]
    assert sum((installed / n).stat().st_size for n in names) < 4_000_000
