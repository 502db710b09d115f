"""The command `gather`: sizes first, a question, files, credits; and `check` before it."""

from __future__ import annotations

import pytest
from click.testing import CliRunner
from test_gather_pieces import DEM, DEM_LAYER, dem_name, dem_tile, local_catalogue, write_plan

from underoak.base.errors import UnderoakError
from underoak.cli import main
from underoak.plan import load_plan
from underoak.runs.check import check


@pytest.fixture
def plan(host, tmp_path, monkeypatch):
    name = dem_name(4, 44)
    host.files[f"{DEM}/{name}/{name}.tif"] = dem_tile(tmp_path / "tile.tif", 4, 44)
    host.files[f"{DEM}/tileList.txt"] = f"{name}\n".encode()
    write_plan(tmp_path, DEM_LAYER)
    local_catalogue(tmp_path / "catalogue", host.root, "copernicus_glo90")
    monkeypatch.setenv("UNDEROAK_CACHE", str(tmp_path / "cache"))
    return tmp_path / "plan.yaml"


def test_check_before_gathering_says_so_and_what_to_run(plan):
    with pytest.raises(UnderoakError, match=r"E248 .*is not gathered yet.*underoak gather"):
        check(load_plan(plan))


def test_sizes_come_first_then_a_question_then_files_and_credits(plan, tmp_path):
    options = ["gather", str(plan), "--sources", str(tmp_path / "catalogue")]
    refused = CliRunner().invoke(main, options, input="n\n")
    assert refused.exit_code == 0
    assert "To fetch: " in refused.stdout
    assert "Nothing was fetched" in refused.stderr
    assert not (tmp_path / "data").exists()
    done = CliRunner().invoke(main, options, input="y\n")
    assert done.exit_code == 0, done.output
    assert "data/dem.tif: made" in done.stdout
    assert "Airbus Defence and Space" in done.stdout
    assert f"check {plan}" in done.stdout
    again = CliRunner().invoke(main, options)
    assert "is there already" in again.stdout or "was there already" in again.stdout
    (tmp_path / "data" / "dem.tif").unlink()
    assert CliRunner().invoke(main, [*options, "--offline"]).exit_code == 0


def test_a_fault_of_the_network_ends_with_its_exit_code(plan, tmp_path, host):
    host.fault = lambda n, path, span: "503"
    result = CliRunner().invoke(main, ["gather", str(plan), "--yes", "--sources", str(tmp_path / "catalogue")])
    assert result.exit_code == 8
    assert "E711" in result.stderr
