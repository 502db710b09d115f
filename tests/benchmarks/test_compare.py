"""The comparison runs, says what it promises, and compares the same work. How long anything takes is not tested."""

from __future__ import annotations

import filecmp
import json
import subprocess
import sys
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

import bare_copy
import compare
import inputs
import model
import underoak as uo
from underoak.engine.prepare.prepare import prepare
from underoak.engine.workers import tile as tile_module
from underoak.engine.write.cog import BLOCK, Band, RasterLayout
from underoak.layers import stack as stacks
from underoak.layers.stack import Stack

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """A comparison of the smallest size: its folder, and what it wrote."""
    folder = tmp_path_factory.mktemp("benchmark")
    words = ["--size", "tiny", "--runs", "1", "--tools", "ours", "numpy", "copy"]
    command = [sys.executable, str(ROOT / "benchmarks" / "compare.py"), *words]
    command += ["--folder", str(folder), "--results", str(folder / "results")]
    ended = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=False)
    assert ended.returncode == 0, ended.stderr
    return folder, json.loads((folder / "results" / "latest.json").read_text(encoding="utf-8"))


def test_it_gives_every_figure_and_null_for_what_did_not_run(done):
    folder, result = done
    assert (result["size"], result["runs"], result["cells"]) == ("tiny", 1, 256 * 256)
    for tool in ("ours", "numpy", "copy"):
        assert result[f"{tool}_s"] == round(result["per_run"][tool][0], 3) > 0
        assert result[f"{tool}_peak_mb"] > 20
        assert sum(result["phases"][tool].values()) == pytest.approx(result[f"{tool}_s"], abs=0.01)
    assert result["odc_s"] is None
    assert result["rioxarray_s"] is None
    assert {"cpu", "cores", "load_before", "versions"} <= set(result["conditions"])
    assert (folder / "results" / "latest.png").read_bytes().startswith(b"\x89PNG")


def test_underoak_and_the_numpy_baseline_agree(done):
    _, result = done
    found = result["agreement"]["ours"]
    assert found["both_judged"] > 0.6 * result["cells"]
    assert found["only_this"] + found["only_other"] < 0.005 * result["cells"]
    assert found["median"] < 0.003
    assert found["p99"] < 0.03


def test_they_agree_better_where_slope_is_derived_in_the_same_order(done):
    _, result = done
    either, same = result["agreement"]["ours"], result["agreement"]["ours_native_slope"]
    assert same["median"] < 0.6 * either["median"]
    assert same["p99"] < 0.6 * either["p99"]
    assert same["max"] < 0.02


def test_the_copy_writes_the_file_underoak_wrote(done):
    folder, _ = done
    ours, copy = (folder / "out" / "tiny" / tool / "suitability.tif" for tool in ("ours", "copy"))
    assert filecmp.cmp(ours, copy, shallow=False)


@dataclass(frozen=True)
class Heard:
    """A source that notes what is read and gives it."""

    source: object
    reads: list = field(compare=False)

    def __getattr__(self, name):
        return getattr(self.source, name)

    def read(self, window):
        self.reads.append((self.source, window))
        return self.source.read(window)


@pytest.mark.parametrize("most", [0, stacks.RESIDENT_VALUES])
def test_the_copy_reads_what_the_engine_reads(done, monkeypatch, most):
    monkeypatch.setattr(stacks, "RESIDENT_VALUES", most)
    data = done[0] / "data" / "tiny"
    recipe = prepare(uo.load_plan(model.plan(data), base=data)).recipe
    monkeypatch.setattr(tile_module, "BLOCK", 64)
    tiles = list(recipe.grid.tiles(128))
    heard, expected = [], []
    layers = (
        replace(layer, source_layer=replace(layer.source_layer, source=Heard(layer.source_layer.source, heard)))
        for layer in recipe.stack.layers
    )
    stack = Stack(recipe.grid, tuple(layers))
    for tile in tiles:
        expected.append([])
        for block in tile_module.block_windows(tile):
            stack.read(block)
            expected[-1].append((block, heard.copy()))
            heard.clear()
    assert bare_copy.reads_of(recipe.stack, tiles) == expected
    count = sum(len(reads) for blocks in expected for _, reads in blocks)
    assert count == 7 * (4 * len(tiles) if most == 0 else 1)


def test_all_tools_write_with_underoaks_compression():
    options = RasterLayout("suitability.tif", "float32", float("nan"), (Band("suitability"),)).options
    assert (options["compress"], options["zlevel"], options["blockxsize"]) == ("deflate", model.LEVEL, BLOCK)
    assert model.BLOCK == BLOCK


def test_inputs_are_the_same_whenever_they_are_made(done, tmp_path):
    before, again = done[0] / "data" / "tiny", inputs.make("tiny", tmp_path)
    names = [layer.file for layer in inputs.LAYERS]
    assert filecmp.cmpfiles(before, again, [*names, "grid.json"], shallow=False) == ([*names, "grid.json"], [], [])


def test_one_size_lies_across_the_bend_of_the_homolosine():
    from underoak.base import crs

    left, bottom, right, top = inputs.ground("4k").bounds
    _, lat = crs.transformer("EPSG:3035", "EPSG:4326").transform([left, right], [bottom, top])
    assert lat[0] < 40.0 + 44 / 60 < lat[1]


def test_a_tool_without_its_packages_is_left_out_and_told(monkeypatch, capsys):
    there = compare.importlib.util.find_spec
    monkeypatch.setattr(compare.importlib.util, "find_spec", lambda name: None if name == "xrspatial" else there(name))
    assert compare.available(["ours", "odc", "numpy", "copy"]) == ["ours", "numpy", "copy"]
    assert "xrspatial" in capsys.readouterr().err


def test_a_copy_without_what_it_copies_is_refused():
    with pytest.raises(SystemExit, match="name both"):
        compare.available(["numpy", "copy"])
