"""How much of the region a layer covers is counted on the region, not with the cells around it."""

import numpy as np
import pytest

import underoak as uo
from underoak.engine.prepare.prepare import prepare

from noise import LEFT, TOP, write_raster


def warnings_of(folder, cells, cell_m, region_m, offset_m=0.0, method="bilinear"):
    """The warnings where a file of `cells` a side begins `offset_m` east of a square region's left edge."""
    values = np.full((cells, cells), 10.0, np.float32)
    write_raster(folder / "t.tif", values, "EPSG:25831", (cell_m, 0, LEFT + offset_m, 0, -cell_m, TOP))
    plan = {
        "format": 1,
        "title": "a farm",
        "purpose": "region",
        "region": {"bounds": [LEFT, TOP - region_m, LEFT + region_m, TOP], "crs": "EPSG:25831", "cell": "10 m"},
        "layers": {"t": {"file": "t.tif", "unit": "degC", "resample": method}},
        "criteria": {"t": {"layer": "t", "curve": {"shape": "ramp_up", "at": [0, 20]}, "source": "a test"}},
        "outputs": {"folder": "out"},
    }
    return [fault for fault in prepare(uo.load_plan(plan, base=folder)).warnings if fault.code == "W221"]


@pytest.mark.parametrize("method", ["bilinear", "nearest", "mean"])
@pytest.mark.parametrize("cells", [1, 2, 4])
def test_coarse_climate_that_holds_the_farm_covers_it(tmp_path, cells, method):
    assert not warnings_of(tmp_path, cells, 1000.0, 300.0, method=method)


@pytest.mark.parametrize(("offset", "is_thin"), [(880.0, False), (930.0, True)])
def test_a_layer_on_less_than_a_tenth_of_the_region_is_told(tmp_path, offset, is_thin):
    told = warnings_of(tmp_path, 100, 10.0, 1000.0, offset)
    assert bool(told) is is_thin
    assert not told or "covers only about 7 % of the region" in told[0].what
