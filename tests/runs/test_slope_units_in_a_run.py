"""Slopes in per cent, file to rasters: read, excluded and derived by the tangent."""

import numpy as np
import pytest
import rasterio

import underoak as uo
from underoak.base.errors import UnderoakError

from noise import LEFT, TOP, write_raster

GRADIENTS = np.array([[0.0, 10.0, 36.0, 99.0], [101.0, 119.2, 180.0, 400.0]], np.float32)
CELL = 30.0


@pytest.fixture
def folder(tmp_path):
    write_raster(tmp_path / "percent.tif", GRADIENTS, "EPSG:25831", (CELL, 0, LEFT, 0, -CELL, TOP))
    degrees = np.degrees(np.arctan(GRADIENTS / 100.0)).astype(np.float32)
    write_raster(tmp_path / "degrees.tif", degrees, "EPSG:25831", (CELL, 0, LEFT, 0, -CELL, TOP))
    return tmp_path


def run(folder, slope, exclude="> 90 degree", at=(0, 90)):
    plan = {
        "format": 1,
        "title": "slopes",
        "purpose": "region",
        "region": {
            "bounds": [LEFT, TOP - 2 * CELL, LEFT + 4 * CELL, TOP],
            "crs": "EPSG:25831",
            "cell": "30 m",
            "snap": [LEFT, TOP],
        },
        "layers": {"slope": {"resample": "nearest", **slope}},
        "criteria": {"slope": {"layer": "slope", "curve": {"shape": "ramp_down", "at": [*at]}, "source": "a test"}},
        "constraints": [{"name": "steep", "layer": "slope", "exclude": exclude}],
        "combine": {"rule": "linear"},
        "outputs": {"folder": "out"},
    }
    result = uo.run(uo.load_plan(plan, base=folder), out=folder / "out", resume=False)
    with rasterio.open(folder / "out" / "suitability.tif") as suitability:
        values = suitability.read(1, masked=True).filled(np.nan)
    with rasterio.open(folder / "out" / "class.tif") as classes:
        return result, values, classes.read(1) == 250


def test_a_file_in_percent_is_judged_in_degrees_by_the_tangent(folder):
    _, in_percent, _ = run(folder, {"file": "percent.tif", "unit": "%", "to": "degree"})
    _, in_degrees, _ = run(folder, {"file": "degrees.tif", "unit": "degree"})
    np.testing.assert_allclose(in_percent, in_degrees, atol=2e-7)
    np.testing.assert_allclose(in_percent, 1.0 - np.degrees(np.arctan(GRADIENTS / 100.0)) / 90.0, atol=1e-6)


@pytest.mark.parametrize(
    "slope", [{"file": "percent.tif", "unit": "%", "to": "degree"}, {"file": "degrees.tif", "unit": "degree"}]
)
def test_a_limit_in_percent_excludes_what_is_steeper(folder, slope):
    _, _, excluded = run(folder, slope, "> 100 %")
    np.testing.assert_array_equal(excluded, GRADIENTS > 100.0)


def test_degrees_become_percent_by_the_tangent_too(folder):
    slope = {"file": "degrees.tif", "unit": "degree", "to": "%"}
    _, values, excluded = run(folder, slope, "> 150 %", at=(0, 500))
    np.testing.assert_allclose(values[~excluded], 1.0 - GRADIENTS[~excluded] / 500.0, atol=1e-5)
    np.testing.assert_array_equal(excluded, GRADIENTS > 150.0)


def test_an_aspect_takes_no_limit_in_percent(folder):
    slope = {"file": "degrees.tif", "unit": "degree", "quantity": "aspect"}
    with pytest.raises(UnderoakError, match="measures a slope"):
        run(folder, slope, "> 100 %")


def test_how_a_file_in_percent_is_decoded_is_told(folder):
    result, _, _ = run(folder, {"file": "percent.tif", "unit": "%", "to": "degree"})
    assert "degree = arctangent of (stored x 1, x 0.01), x 57.2957795" in (folder / "out" / "run.json").read_text()
    assert result is not None
