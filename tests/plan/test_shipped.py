from __future__ import annotations

import inspect
import runpy
import shutil

import pytest

from underoak.base.errors import UnderoakError
from underoak.plan import shipped


def test_files_are_found_in_a_checkout() -> None:
    assert (shipped("configs", "species") / "tuber_melanosporum.yaml").is_file()


def test_files_are_found_in_an_installed_copy_first(tmp_path) -> None:
    package = tmp_path / "lib" / "underoak"
    inside = package / "_data" / "configs" / "species"
    inside.mkdir(parents=True)
    (tmp_path / "configs" / "species").mkdir(parents=True)
    (package / "plan").mkdir()
    copy = shutil.copy(inspect.getsourcefile(shipped), package / "plan" / "shipped.py")
    assert runpy.run_path(str(copy))["shipped"]("configs", "species") == inside


def test_a_file_that_is_not_there_is_told() -> None:
    with pytest.raises(UnderoakError, match=r"E305 configs/none.yaml: .*install underoak again"):
        shipped("configs", "none.yaml")
