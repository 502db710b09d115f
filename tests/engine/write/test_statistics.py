"""Statistics of bands and names of codes, in files."""

from __future__ import annotations

from xml.etree import ElementTree

import numpy as np
import pytest
import rasterio
import rasterio.shutil
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from underoak.engine.write.categories import category_text
from underoak.engine.write.statistics import band_statistics, block_figures

CELLS = st.one_of(
    arrays.arrays(np.uint8, st.tuples(st.just(2), st.integers(1, 9), st.integers(1, 40))),
    arrays.arrays(np.float32, st.tuples(st.just(2), st.integers(1, 9), st.integers(1, 40)),
                  elements=st.one_of(st.floats(0, 1, width=32), st.just(float("nan")))),
)  # fmt: skip


@given(CELLS, st.integers(1, 8))
@settings(deadline=None)
def test_statistics_of_blocks_are_those_of_all_cells(cells, cut):
    nodata = 255.0 if cells.dtype == np.uint8 else float("nan")
    blocks = [block_figures(part, nodata) for part in (cells[:, :cut], cells[:, cut:]) if part.size]
    for plane, found in zip(cells, band_statistics(blocks, 2, cells[0].size), strict=True):
        valid = plane[~np.isnan(plane) & (plane != nodata)].astype(np.float64)
        if not valid.size:
            assert found is None
            continue
        assert (found.minimum, found.maximum) == (valid.min(), valid.max())
        assert found.mean == pytest.approx(valid.mean(), rel=1e-12)
        assert found.sd == pytest.approx(valid.std(), rel=1e-6, abs=1e-7)
        assert found.valid_share == valid.size / plane.size


def test_an_outside_library_reads_the_names_and_colours_of_codes(tmp_path):
    names = {1: 'lime & "marl" <deep>', 4: "gr\u00e8s", 250: "excluded"}
    path = tmp_path / "x.tif"
    place = {"height": 3, "width": 3, "transform": rasterio.Affine(1, 0, 5, 0, -1, 5), "crs": "EPSG:25831"}
    with rasterio.open(path, "w", driver="GTiff", count=2, dtype="uint8", **place) as file:
        file.write(np.zeros((2, 3, 3), np.uint8))
    colours = {1: (254, 232, 56, 255), 4: (0, 42, 102, 255), 250: (214, 214, 214, 255)}
    path.with_name("x.tif.aux.xml").write_text(category_text(2, names, colours), encoding="utf-8")
    rasterio.shutil.copy(path, tmp_path / "x.vrt", driver="VRT")  # it copies what it reads
    bands = ElementTree.parse(tmp_path / "x.vrt").findall("VRTRasterBand")
    assert len(bands) == 2
    for band in bands:
        listed = [category.text for category in band.findall("CategoryNames/Category")]
        assert {code: name for code, name in enumerate(listed) if name} == names
    for band in ElementTree.parse(path.with_name("x.tif.aux.xml")).findall("PAMRasterBand"):
        rows = [[field.text for field in row] for row in band.findall("GDALRasterAttributeTable/Row")]
        assert {int(code): name for code, name, *_ in rows} == names
        assert {int(code): tuple(map(int, rgba)) for code, _, *rgba in rows} == colours
