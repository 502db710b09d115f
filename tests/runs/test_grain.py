"""The grain of a layer holds on every kind of grid and file, for draws, lab results and sensitivity."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio
import shapely

import underoak as uo
from underoak.base import crs as _crs
from underoak.places.verdicts.saved_cells import SavedCells

from noise import LEFT, TOP, write_raster, write_shapes

SIDE, GRAIN = 2500, 500.0
INSIDE = shapely.box(LEFT + 1010, TOP - 1490, LEFT + 1490, TOP - 1010)  # one square of the grain
OVER = shapely.box(LEFT + 1250, TOP - 1490, LEFT + 1750, TOP - 1010)  # two halves


def plan(base, layer, cell="50 m"):
    write_shapes(base / "fields.gpkg", [INSIDE, OVER], "EPSG:25831", name=["one", "two"])
    return {
        "format": 1, "title": "grain", "purpose": "buy",
        "region": {"bounds": [LEFT, TOP - SIDE, LEFT + SIDE, TOP], "crs": "EPSG:25831", "cell": cell},
        "layers": {"ph": {"unit": "pH", "resample": "nearest", "bias_share": 0.0, **layer}},
        "criteria": {"ph": {"layer": "ph", "curve": {"shape": "ramp_up", "at": [6.0, 9.0]}, "source": "a test"}},
        "combine": {"rule": "linear"},
        "uncertainty": {"draws": 128, "correlation_range": "0 m"},
        "parcels": {"file": "fields.gpkg", "id": "name"},
    }  # fmt: skip


def sds(written, base, out):
    table = uo.run(uo.load_plan(written, base=base), out=out).parcels.set_index("id")
    return 3.0 * table.loc[["one", "two"], "sd"].to_numpy()


def soil(side):
    return np.full((SIDE // side, SIDE // side), 7.5, np.float32)


def test_quantiles_on_finer_cells_than_the_grain(tmp_path):
    names = {"ph.tif": 7.5, "low.tif": 7.5 - 1.6448536 * 0.3, "high.tif": 7.5 + 1.6448536 * 0.3}
    for name, value in names.items():
        write_raster(tmp_path / name, soil(50) * 0 + np.float32(value), "EPSG:25831", (50, 0, LEFT, 0, -50, TOP))
    layer = {"file": "ph.tif", "quantiles": {0.05: "low.tif", 0.95: "high.tif"}, "grain": "500 m"}
    one, two = sds(plan(tmp_path, layer), tmp_path, tmp_path / "out")
    assert one == pytest.approx(0.3, rel=0.02)
    assert two == pytest.approx(0.3 / np.sqrt(2), rel=0.15)
    saved = SavedCells.read(tmp_path / "out")  # what the sensitivity of a parcel uses
    by_id = dict(zip(saved.ids, saved.sds["ph"], strict=True))
    assert (by_id["one"], by_id["two"]) == (pytest.approx(0.3, rel=1e-3), pytest.approx(0.3 / np.sqrt(2), rel=0.02))


@pytest.mark.parametrize("turned", [False, True], ids=["north up", "south up"])
def test_a_mosaic_of_tiles_has_the_grain_of_the_whole(tmp_path, turned):
    parts = (("a", 0, 27), ("b", 27, 23))  # the border of the tiles runs through a square of the grain
    sources = ""
    for name, col, width in parts:
        place = (50, 0, LEFT + 50 * col, 0, -50, TOP)
        write_raster(tmp_path / f"{name}.tif", soil(50)[:, :width], "EPSG:25831", place)
        size = f'yOff="0" xSize="{width}" ySize="50"'
        sources += (
            f'<SimpleSource><SourceFilename relativeToVRT="1">{name}.tif</SourceFilename><SourceBand>1</SourceBand>'
            f'<SrcRect xOff="0" {size}/><DstRect xOff="{col}" {size}/></SimpleSource>'
        )
    (tmp_path / "all.vrt").write_text(
        '<VRTDataset rasterXSize="50" rasterYSize="50"><SRS>EPSG:25831</SRS>'
        f"<GeoTransform>{LEFT}, 50, 0, {TOP}, 0, -50</GeoTransform>"
        f'<VRTRasterBand dataType="Float32" band="1">{sources}</VRTRasterBand></VRTDataset>',
        encoding="utf-8",
    )
    file = "all.vrt"
    if turned:
        write_raster(tmp_path / "up.tif", soil(50), "EPSG:25831", (50, 0, LEFT, 0, 50, TOP - SIDE))
        file = "up.tif"
    one, two = sds(plan(tmp_path, {"file": file, "sd": 0.3, "grain": "500 m"}), tmp_path, tmp_path / "out")
    assert one == pytest.approx(0.3, rel=0.02)
    assert two == pytest.approx(0.3 / np.sqrt(2), rel=0.15)


def test_a_netcdf_file_has_the_same_draws_as_a_raster(tmp_path):
    import xarray as xr

    write_raster(tmp_path / "ph.tif", soil(50), "EPSG:25831", (50, 0, LEFT, 0, -50, TOP))
    x, y = LEFT + 25 + 50 * np.arange(50), TOP - 25 - 50 * np.arange(50)
    attributes = {"units": "1", "grid_mapping": "crs"}
    data = xr.Dataset(
        {"ph": (("y", "x"), soil(50), attributes), "crs": ((), 0, {"crs_wkt": rasterio.CRS.from_epsg(25831).to_wkt()})},
        {"x": ("x", x, {"units": "m", "standard_name": "projection_x_coordinate"}),
         "y": ("y", y, {"units": "m", "standard_name": "projection_y_coordinate"})},
    )  # fmt: skip
    data.to_netcdf(tmp_path / "ph.nc", engine="h5netcdf")
    layer = {"sd": 0.3, "grain": "500 m"}
    tif = sds(plan(tmp_path, {"file": "ph.tif", **layer}), tmp_path, tmp_path / "tif")
    netcdf = sds(plan(tmp_path, {"file": "ph.nc", "variable": "ph", **layer}), tmp_path, tmp_path / "nc")
    assert netcdf.tolist() == tif.tolist()
    assert tif[0] == pytest.approx(0.3, rel=0.02)


def test_a_grain_on_degrees_is_as_wide_as_it_is_high(tmp_path):
    west, south, east, north = _crs.transformer("EPSG:25831", "EPSG:4326").transform_bounds(
        LEFT - 500, TOP - SIDE - 500, LEFT + SIDE + 500, TOP + 500
    )
    step = 1 / 3600
    shape = (int((north - south) / step) + 2, int((east - west) / step) + 2)
    write_raster(tmp_path / "ph.tif", np.full(shape, 7.5, np.float32), "EPSG:4326", (step, 0, west, 0, -step, north))
    written = plan(tmp_path, {"file": "ph.tif", "sd": 0.3, "grain": "500 m"}, "25 m")
    uo.run(uo.load_plan(written, base=tmp_path), out=tmp_path / "out")
    with rasterio.open(tmp_path / "out" / "spread.tif") as made:
        mean = made.read(1)
    down, across = (np.count_nonzero(np.diff(line)) for line in (mean[:, 50], mean[50]))
    assert abs(down - SIDE / GRAIN) <= 1  # borders of squares along a column and a row of the region
    assert abs(across - SIDE / GRAIN) <= 1
