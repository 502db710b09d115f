"""Real data for the tests, built once a session. Tests of missing data are skipped, and listed at the end.

`UNDEROAK_REAL=require` makes a missing dataset a failure of the tests that need it.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from builders import BUILDERS, jacksboro_dem, us_counties
from fetch import Unavailable, get

_missing: dict[str, str] = {}


def _had(what: str, make: Callable[[], Any]) -> Any:
    """What `make` makes; where the data cannot be had, the test is skipped, or fails where data are required."""
    try:
        return make()
    except Unavailable as error:
        why = str(error)
    if os.environ.get("UNDEROAK_REAL") == "require":
        pytest.fail(f"real data are required (UNDEROAK_REAL=require) and cannot be had: {what}: {why}", pytrace=False)
    _missing[what] = why
    return pytest.skip(f"no real data: {what}: {why}")


def _built(place: str, folder: Path) -> Path:
    made = folder / "data" / place
    _had(place, lambda: BUILDERS[place](made))
    return made


@pytest.fixture(scope="session")
def real_folder(tmp_path_factory):
    """The folder that stands for the plans' own, with `data/` inside."""
    return tmp_path_factory.mktemp("plans")


@pytest.fixture(scope="session")
def raw():
    """Path of one fetched file: `raw("elev.tif")`."""
    return lambda name: _had(name, lambda: get(name))


@pytest.fixture(scope="session")
def dem():
    """Heights and transform of the hills around Jacksboro."""
    return _had("jacksboro_fault_dem.npz", jacksboro_dem)


@pytest.fixture(scope="session")
def counties():
    """Counties of the United States."""
    return _had("counties-10m.json", us_counties)


@pytest.fixture(scope="session")
def jacksboro(real_folder):
    return _built("jacksboro", real_folder)


@pytest.fixture(scope="session")
def luxembourg(real_folder):
    return _built("luxembourg", real_folder)


@pytest.fixture(scope="session")
def north_carolina(real_folder):
    return _built("north_carolina", real_folder)


@pytest.fixture(scope="session")
def europe(real_folder):
    return _built("europe", real_folder)


@pytest.fixture(scope="session")
def australia(real_folder):
    return _built("australia", real_folder)


def pytest_terminal_summary(terminalreporter):
    for what, why in _missing.items():
        terminalreporter.write_line(f"REAL DATA NOT TESTED  {what}: {why}", red=True, bold=True)
