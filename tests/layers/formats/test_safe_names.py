"""Files and folders may be called anything a file system allows: the file that is named is the one that is read."""

from __future__ import annotations

import shutil
import warnings

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
from shapely import box

from underoak.base.errors import Problems
from underoak.layers.formats import gdal, netcdf_zarr_files
from underoak.layers.formats.safe_names import plain_to_read, plain_to_write
from underoak.layers.formats.vector import read_features

from layer_builders import monthly, opened, whole, write_nc, write_tif

ODD = [
    "a b", "a%20b", "100%", "%s%d", "a#b", "a?b=1", "Überjäger é", "e\u0301", "-x", "a,b;c", "a!b.zip!c", "land.zip",
    "[x]{y}", "a&b'c", "a|layer=1", "file:", "/".join(["n" * 200] * 3),
]  # fmt: skip
UTM = "EPSG:25831"


def write_shapes(path, side):
    frame = gpd.GeoDataFrame({"n": [1]}, geometry=[box(400_000, 4_600_000, 400_000 + side, 4_600_100)], crs=UTM)
    with warnings.catch_warnings(action="ignore"):
        pyogrio.write_dataframe(frame, path)


def area(path, features=None):
    problems = Problems()
    frame = read_features(path, features, UTM, problems=problems)
    assert not problems.faults
    return float(frame.area.sum())


@pytest.fixture(scope="module")
def plainly(tmp_path_factory):
    """Files under plain names, to be moved under odd ones; no library writes those as it reads them."""
    folder = tmp_path_factory.mktemp("plain")
    for name in ("s.gpkg", "s.geojson", "s.shp"):
        write_shapes(folder / name, 100)
    values = np.arange(12, dtype=np.float32).reshape(3, 4)
    write_tif(folder / "r.tif", values)
    about = {"lat": np.linspace(45, 44, 3), "lon": np.linspace(1, 2, 4)}
    year = monthly(np.stack([values] * 12), "mm", **about)
    write_nc(folder / "m.nc", year, "h5netcdf")
    year.to_zarr(folder / "m.zarr", zarr_format=2, consolidated=False)
    (folder / "v.vrt").write_text(
        '<VRTDataset rasterXSize="4" rasterYSize="3"><SRS>EPSG:25831</SRS>'
        "<GeoTransform>400000, 30, 0, 4600000, 0, -30</GeoTransform>"
        '<VRTRasterBand dataType="Float32" band="1"><SimpleSource>'
        '<SourceFilename relativeToVRT="1">r.tif</SourceFilename><SourceBand>1</SourceBand>'
        "</SimpleSource></VRTRasterBand></VRTDataset>"
    )
    return folder


@pytest.mark.parametrize("name", ODD)
def test_rasters_and_shapes_are_read_in_a_folder_of_any_name(plainly, tmp_path, name):
    folder = tmp_path / name
    shutil.copytree(plainly, folder)
    for file in ("r.tif", "v.vrt", "m.nc", "m.zarr"):
        more = {"derive": "annual_precipitation"} if file.startswith("m") else {}
        source, problems = opened(folder, file, unit="mm", **more)
        assert not problems.faults, file
        assert float(whole(source).max()) == 11.0
    for file in ("s.gpkg", "s.geojson", "s.shp"):
        assert area(folder / file) == pytest.approx(10_000, rel=1e-6)
    gdal.close_handles()
    netcdf_zarr_files.close_stores()


@pytest.mark.parametrize("name", [name for name in ODD if "/" not in name])
def test_files_may_have_any_name(plainly, tmp_path, name):
    for file in ("r.tif", "m.nc", "s.gpkg", "s.geojson", "s.shp", "s.shx", "s.dbf", "s.prj"):
        shutil.copy(plainly / file, tmp_path / (name + file[1:]))
    source, problems = opened(tmp_path, f"{name}.tif", unit="mm")
    assert not problems.faults
    assert whole(source).shape == (3, 4)
    source, problems = opened(tmp_path, f"{name}.nc", unit="mm", derive="annual_precipitation")
    assert not problems.faults
    assert area(tmp_path / f"{name}.gpkg") == pytest.approx(10_000, rel=1e-6)
    for file in (f"{name}.geojson", f"{name}.shp"):
        assert area(tmp_path / file) == pytest.approx(10_000, rel=1e-6)
    assert area(tmp_path / f"{name}.shp", features=name) == pytest.approx(10_000, rel=1e-6)
    gdal.close_handles()
    netcdf_zarr_files.close_stores()


def test_the_folder_that_a_code_in_a_name_stands_for_is_another_one(tmp_path):
    for name, side in (("a b", 100), ("a%20b", 300)):
        (tmp_path / name).mkdir()
        with plain_to_write(tmp_path / name / "s.gpkg") as plain:
            write_shapes(plain, side)
    assert area(tmp_path / "a b" / "s.gpkg") == pytest.approx(10_000)
    assert area(tmp_path / "a%20b" / "s.gpkg") == pytest.approx(30_000)


def test_nothing_is_left_of_a_plain_name(tmp_path):
    path = tmp_path / "a!b.gpkg"
    with plain_to_write(path) as plain:
        write_shapes(plain, 100)
    with plain_to_read(path) as other:
        assert other.read_bytes() == path.read_bytes()
    assert not plain.exists()
    assert not other.exists()
    assert [each.name for each in tmp_path.iterdir()] == ["a!b.gpkg"]
