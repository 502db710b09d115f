"""Lands that many tests of whole runs share; a test file may have others of the same names."""

import json
import shutil
from pathlib import Path

import pytest

from noise import small_country
from strip import strip


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict, Path]:
    """The plan and the folder of a small country."""
    folder = tmp_path_factory.mktemp("small")
    return small_country(folder), folder


@pytest.fixture
def case(small: tuple[dict, Path], tmp_path: Path) -> tuple[dict, Path]:
    """A copy of the small country that a test may spoil."""
    plan, folder = small
    return json.loads(json.dumps(plan)), shutil.copytree(folder, tmp_path / "data", dirs_exist_ok=True)


@pytest.fixture(scope="module")
def land(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict, Path]:
    """The plan and the folder of a strip of land with several tiles."""
    folder = tmp_path_factory.mktemp("strip")
    return strip(folder), folder
