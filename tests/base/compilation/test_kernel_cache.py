"""Compiled kernels stay on disk, and only while every source they are made from is the same."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from underoak.base.compilation.kernel_cache import VERSIONS_ON_DISK

pytestmark = pytest.mark.slow  # each compiles in a new process

PACKAGE = Path(__file__).parents[3] / "pipeline" / "underoak"
HELPER = """
from underoak.base.compiled import compiled
from underoak.base.limit import LIMIT

@compiled
def helper(x):
    return min(x * {factor}, LIMIT)
"""
CALLER = """
from underoak.base.compiled import compiled
from underoak.overlay.helper import helper

@compiled
def caller(x):
    return helper(x) + 1.0
"""
RESULT = """
from underoak.base.compiled import is_on_disk
from underoak.indicators.caller import caller
was_on_disk = is_on_disk(caller)
print(caller({x}), was_on_disk, is_on_disk(caller), sum(caller.stats.cache_hits.values()))
"""


class Copy:
    """A copy of the package's lowest hall, with a kernel that calls a helper of another file."""

    def __init__(self, folder: Path) -> None:
        self.root, self.user_cache = folder / "source", folder / "user cache"
        self.package = self.root / "underoak"
        shutil.copytree(PACKAGE / "base", self.package / "base", ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(PACKAGE / "__init__.py", self.package)
        for hall in ("overlay", "indicators"):
            (self.package / hall).mkdir()
            (self.package / hall / "__init__.py").touch()
        self.write(limit=100.0, factor=2.0)
        (self.package / "indicators" / "caller.py").write_text(CALLER)
        self.kernels = self.package / "__pycache__" / "kernels"

    def write(self, limit: float, factor: float) -> None:
        (self.package / "base" / "limit.py").write_text(f"LIMIT = {limit}\n")
        (self.package / "overlay" / "helper.py").write_text(HELPER.format(factor=factor))

    def start(self, code: str, **more: str) -> subprocess.Popen[str]:
        environment = {name: value for name, value in os.environ.items() if not name.startswith("NUMBA_")}
        environment |= {"PYTHONPATH": str(self.root), "PYTHONDONTWRITEBYTECODE": "1"}
        environment |= {"XDG_CACHE_HOME": str(self.user_cache), "LOCALAPPDATA": str(self.user_cache), **more}
        command = [sys.executable, "-W", "error", "-c", code]
        return subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)

    def call(self, x: float = 10.0, code: str = RESULT, **more: str) -> list[str]:
        """The result, whether the code was on disk before and after, and how many signatures came from disk."""
        return finished(self.start(code.format(x=x), **more))


def finished(process: subprocess.Popen[str]) -> list[str]:
    out, err = process.communicate(timeout=300)
    assert process.returncode == 0, err
    return out.split()


@pytest.fixture
def copy(tmp_path):
    return Copy(tmp_path)


def test_code_is_compiled_once(copy):
    assert copy.call() == ["21.0", "False", "True", "0"]
    assert copy.call() == ["21.0", "True", "True", "1"]


def test_a_change_in_a_helper_of_another_file_is_seen(copy):
    assert copy.call()[0] == "21.0"
    copy.write(limit=100.0, factor=3.0)
    assert copy.call() == ["31.0", "False", "True", "0"]


def test_a_change_of_a_constant_two_imports_away_is_seen(copy):
    assert copy.call()[0] == "21.0"
    copy.write(limit=5.0, factor=2.0)
    assert copy.call() == ["6.0", "False", "True", "0"]


def test_a_change_elsewhere_keeps_the_code(copy):
    copy.call()
    with open(copy.package / "base" / "units.py", "a") as file:
        file.write("# more\n")
    assert copy.call() == ["21.0", "True", "True", "1"]


def test_code_of_an_earlier_version_is_found_again_until_newer_ones_are_many(copy):
    for factor in range(1, VERSIONS_ON_DISK + 2):
        copy.write(100.0, factor)
        assert copy.call(1.0) == [str(factor + 1.0), "False", "True", "0"]
    copy.write(100.0, 2)
    assert copy.call(1.0) == ["3.0", "True", "True", "1"]
    assert len(list((copy.kernels / "underoak.indicators.caller").iterdir())) == VERSIONS_ON_DISK


def test_code_compiled_from_sources_that_were_edited_meanwhile_is_not_kept(copy):
    limit = copy.package / "base" / "limit.py"
    edit = f"open({str(limit)!r}, 'w').write('LIMIT = 5.0')"
    code = f"from underoak.indicators.caller import caller\n{edit}\nprint(caller({{x}}))"
    assert copy.call(code=code) == ["21.0"]
    assert not list(copy.root.rglob("*.nbc"))
    assert copy.call()[0] == "6.0"


def test_a_torn_file_is_compiled_anew(copy):
    copy.call()
    for path in copy.kernels.rglob("*.nbc"):
        path.write_bytes(path.read_bytes()[:1000])
    assert copy.call() == ["21.0", "True", "True", "0"]
    assert copy.call() == ["21.0", "True", "True", "1"]


def test_code_goes_to_the_user_where_the_package_cannot_be_written(copy):
    copy.kernels.parent.mkdir()
    copy.kernels.touch()  # a file where the folder should be: not even the superuser can write into it
    assert copy.call() == ["21.0", "False", "True", "0"]
    assert copy.call() == ["21.0", "True", "True", "1"]
    assert list(copy.user_cache.rglob("caller-*.nbc"))


def test_nothing_stops_where_nothing_can_be_written(copy):
    copy.kernels.parent.mkdir()
    copy.kernels.touch()
    copy.user_cache.touch()
    assert copy.call() == ["21.0", "False", "False", "0"]


def test_a_folder_that_numba_is_told_of_is_used(copy, tmp_path):
    environment = {"NUMBA_CACHE_DIR": str(tmp_path / "numba")}
    assert copy.call(**environment) == ["21.0", "False", "True", "0"]
    assert copy.call(**environment) == ["21.0", "True", "True", "1"]
    assert not list(copy.root.rglob("*.nbc"))


def test_processes_that_start_at_once_agree(copy):
    """Each first wants another signature; none takes the code of another, nor needs to compile again."""
    values = ("10.0", "10", "np.float32(10)", "np.int16(10)")
    for expected_hits in ("0", "1"):
        processes = [copy.start("import numpy as np\n" + RESULT.format(x=value)) for value in values]
        results = [finished(process) for process in processes]
        assert [result[0] for result in results] == ["21.0"] * len(values)
        assert {result[3] for result in results} == {expected_hits}
    assert len(list(copy.kernels.rglob("caller-*.nbc"))) == len(values)
    assert not [path for path in copy.kernels.rglob("*") if path.is_file() and path.suffix != ".nbc"]


def test_uncompiled_code_is_no_reason_to_wait(copy):
    code = "from underoak.base.compiled import is_on_disk\n" + "from underoak.indicators.caller import caller\n"
    assert copy.call(code=code + "print(caller({x}), is_on_disk(caller))", NUMBA_DISABLE_JIT="1") == ["21.0", "True"]
