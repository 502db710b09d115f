from __future__ import annotations

import pytest

from underoak.base.errors import UnderoakError
from underoak.plan import shipped
from underoak.plan import shipped as shipped_function


def test_files_are_found_in_a_checkout() -> None:
    assert (shipped("configs", "species") / "tuber_melanosporum.yaml").is_file()


def test_files_are_found_in_an_installed_copy_first(tmp_path, monkeypatch) -> None:
    package = tmp_path / "lib" / "underoak"
    inside = package / "_data" / "configs" / "species"
    inside.mkdir(parents=True)
    beside = tmp_path / "configs" / "species"
    beside.mkdir(parents=True)
    monkeypatch.setitem(shipped_function.__globals__, "_PACKAGE", package)
    assert shipped("configs", "species") == inside


def test_a_file_that_is_not_there_is_told() -> None:
    with pytest.raises(UnderoakError, match=r"E305 configs/none.yaml: .*install underoak again"):
        shipped("configs", "none.yaml")
