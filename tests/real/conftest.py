"""Real data for the tests, built once a session. What cannot be had is skipped, and told loudly at the end.

`UNDEROAK_REAL=require` makes a missing dataset a failure of the tests that need it.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from builders import BUILDERS
from fetch import Unavailable, get

_missing: dict[str, str] = {}


def _lacking(what: str, why: Unavailable) -> None:
    text = f"{what}: {why}"
    if os.environ.get("UNDEROAK_REAL") == "require":
        pytest.fail(f"real data are required (UNDEROAK_REAL=require) and cannot be had: {text}", pytrace=False)
    _missing[what] = str(why)
    pytest.skip(f"no real data: {text}")


@pytest.fixture(scope="session")
def real_folder(tmp_path_factory):
    """The folder that stands for the plans' own, with `data/` inside."""
    return tmp_path_factory.mktemp("plans")


@pytest.fixture(scope="session")
def raw():
    """Path of one fetched file: `raw("elev.tif")`."""

    def path_of(name: str) -> Path:
        try:
            return get(name)
        except Unavailable as why:
            return _lacking(name, why)

    return path_of


def _built(place: str, folder: Path) -> Path:
    try:
        BUILDERS[place](folder / "data" / place)
    except Unavailable as why:
        _lacking(place, why)
    return folder / "data" / place


@pytest.fixture(scope="session")
def jacksboro(real_folder):
    return _built("jacksboro", real_folder)


@pytest.fixture(scope="session")
def luxembourg(real_folder):
    return _built("luxembourg", real_folder)


@pytest.fixture(scope="session")
def north_carolina(real_folder):
    return _built("north_carolina", real_folder)


def pytest_terminal_summary(terminalreporter):
    for what, why in _missing.items():
        terminalreporter.write_line(f"REAL DATA NOT TESTED  {what}: {why}", red=True, bold=True)
