"""Conventions of the open rasters our users bring, as their providers publish them. Each check names its source."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
import rasterio
from rasterio.transform import Affine

from underoak.base.errors import Problems
from underoak.layers.decoding.plausibility import LayerNames, check_values
from underoak.layers.decoding.rules import FileFacts, resolve_rules
from underoak.layers.decoding.value_tally import count_values
from underoak.layers.formats.open import open_source
from underoak.layers.layer_request import LayerRequest

HOMOLOSINE = "+proj=igh +lon_0=0 +datum=WGS84 +units=m +no_defs"


def decoded(stored, dtype="int16", scale=1.0, offset=0.0, file_unit="", nodata=(), **layer):
    problems = Problems()
    asked = LayerRequest.from_spec("layer", SimpleNamespace(file="layer.tif", **layer))
    decision = resolve_rules(FileFacts(dtype, scale, offset, file_unit, nodata), asked, problems)
    assert not problems.faults
    return decision.encoding.affine(float(stored)), decision


def written(path, values, **about):
    """A one-band GeoTIFF; scale and offset go into its tags."""
    scale, offset = about.pop("scale", None), about.pop("offset", None)
    values = np.atleast_2d(values)
    profile = {"driver": "GTiff", "count": 1, "height": values.shape[0], "width": values.shape[1]}
    with rasterio.open(path, "w", dtype=values.dtype, **profile, **about) as file:
        file.write(values, 1)
        if scale is not None:
            file.scales, file.offsets = [scale], [offset or 0.0]
    return path


def source_of(path, **layer):
    problems = Problems()
    source = open_source("layer", SimpleNamespace(file=path.name, **layer), path.parent, None, problems)
    assert not problems.faults, problems.faults
    return source, problems


SOIL_GRID = {"crs": HOMOLOSINE, "transform": Affine(250, 0, 100_000, 0, -250, 5_000_000)}


class TestSoilGrids2:
    """SoilGrids 2.0. Source: ISRIC, documentation of SoilGrids 250 m version 2.0, table of mapped and common units."""

    @pytest.mark.parametrize(
        ("stored", "unit", "to", "expected"),
        [
            (78, "pH*10", "pH", 7.8),
            (235, "g/kg", "percent", 23.5),
            (152, "dg/kg", "g/kg", 15.2),
            (145, "cg/kg", "g/kg", 1.45),
            (132, "cg/cm3", "kg/dm3", 1.32),
            (210, "mmol/kg", "cmol/kg", 21.0),
            (45, "hg/m3", "kg/m3", 4.5),
        ],
    )
    def test_mapped_units_become_the_common_ones(self, stored, unit, to, expected):
        value, decision = decoded(stored, unit=unit, to=to)
        assert value == pytest.approx(expected, rel=1e-12)
        assert decision.encoding.affine.offset == 0.0

    def test_coarse_fragments_are_per_mille_by_volume(self):
        # the documentation prints the unit cm3/dm3 and the factor 100 in one row; the unit is followed (arithmetic)
        for unit in ("cm3/dm3", "permille"):
            assert decoded(150, unit=unit, to="percent")[0] == pytest.approx(15.0, rel=1e-12)

    def test_grid_and_nodata_come_from_the_file(self, tmp_path):
        # 250 m homolosine cells: Poggio et al. 2021, SOIL 7, 217-240; nodata -32768 in Int16: from memory
        path = written(tmp_path / "phh2o.tif", np.int16([[78, -32768, 61]]), nodata=-32768, **SOIL_GRID)
        source, problems = source_of(path, unit="pH*10")
        assert not problems.warnings
        np.testing.assert_array_equal(source.read(source.grid.window).values, np.float32([[7.8, np.nan, 6.1]]))
        assert source.grid.cell_m == 250.0
        assert not source.is_periodic

    def test_nodata_that_lost_its_tag_is_not_a_ph_of_minus_3276(self, tmp_path):
        values = np.full((40, 40), 74, np.int16)
        values[:10] = -32768
        source, problems = source_of(written(tmp_path / "phh2o.tif", values, **SOIL_GRID), unit="pH*10")
        check_values(count_values(source, source.grid.window), source, LayerNames.of([source.request]), problems)
        assert [fault.code for fault in problems.faults] == ["E210"]
        assert "nodata: -32768" in problems.faults[0].fix


class TestWorldClim:
    """Sources: WorldClim, data format page of version 1.4; version 2.1 partly from memory."""

    def test_version_1_4_holds_tenths_of_a_degree(self):
        assert decoded(231, unit="degC*10")[0] == pytest.approx(23.1, rel=1e-12)

    def test_its_precipitation_is_not_scaled(self):
        assert decoded(812, unit="mm")[0] == 812.0

    def test_version_2_1_holds_degrees(self):
        assert decoded(23.1, dtype="float32", unit="degC")[0] == 23.1

    def test_dividing_version_2_1_by_ten_once_more_is_not_found_by_bounds_but_version_1_4_undivided_is(self, tmp_path):
        place = {"crs": "EPSG:4326", "transform": Affine(1 / 120, 0, 2, 0, -1 / 120, 45)}
        tenths = np.arange(-90, 260, dtype=np.int16).reshape(14, 25)
        source, problems = source_of(written(tmp_path / "bio1.tif", tenths, **place), unit="degC")
        check_values(count_values(source, source.grid.window), source, LayerNames.of([source.request]), problems)
        assert [fault.code for fault in problems.faults] == ["E204"]
        assert '"unit: degC*10"' in problems.faults[0].fix


class TestChelsa21:
    """CHELSA V2.1. Source: its technical specification, from memory."""

    PLACE = {"crs": "EPSG:4326", "transform": Affine(1 / 120, 0, 2, 0, -1 / 120, 45)}  # noqa: RUF012

    def test_temperatures_carry_scale_and_offset_and_are_decoded_once(self, tmp_path):
        path = written(tmp_path / "bio1.tif", np.uint16([[2850]]), scale=0.1, offset=-273.15, **self.PLACE)
        source, problems = source_of(path, unit="degC")
        assert not problems.warnings
        assert source.encoding.affine(2850.0) == pytest.approx(11.85, abs=1e-9)
        assert source.read(source.grid.window).values[0, 0] == pytest.approx(11.85, abs=1e-5)
        assert -60 <= source.read(source.grid.window).values[0, 0] <= 40

    def test_without_its_tags_nothing_is_guessed(self, tmp_path):
        path = written(tmp_path / "bio1.tif", np.uint16([[2850]]), **self.PLACE)
        problems = Problems()
        assert open_source("t", SimpleNamespace(file="bio1.tif"), path.parent, None, problems) is None
        assert [fault.code for fault in problems.faults] == ["E209"]

    def test_decoding_twice_is_refused(self, tmp_path):
        path = written(tmp_path / "bio1.tif", np.uint16([[2850]]), scale=0.1, offset=-273.15, **self.PLACE)
        problems = Problems()
        layer = SimpleNamespace(file="bio1.tif", unit="K*10", to="degC")
        assert open_source("t", layer, path.parent, None, problems) is None
        assert [fault.code for fault in problems.faults] == ["E214"]

    def test_a_range_of_temperature_has_no_offset(self):
        value, _ = decoded(121, "uint16", scale=0.1, file_unit="degC", quantity="temperature_range")
        assert value == pytest.approx(12.1, rel=1e-12)
        value, _ = decoded(121, "uint16", unit="K*10", quantity="temperature_range", to="degC")
        assert value == pytest.approx(12.1, rel=1e-12)

    def test_precipitation_is_in_tenths_of_a_kilogram_on_a_square_metre(self):
        value, decision = decoded(7000, "uint16", scale=0.1, file_unit="kg m-2")
        assert value == pytest.approx(700.0, rel=1e-12)
        assert decision.unit == "mm"


class TestCopernicusDem:
    """GLO-30. Source: readme of the open-data storage, and a metadata dump of tile S14 W172."""

    def test_posts_are_cell_centres_so_the_edge_lies_half_a_cell_outside_the_degree(self, tmp_path):
        edge = Affine(1 / 3600, 0, -172 - 0.5 / 3600, 0, -1 / 3600, -13 + 0.5 / 3600)
        path = tmp_path / "dem.tif"
        with rasterio.open(
            path, "w", driver="GTiff", count=1, height=5, width=5, dtype="float32", crs="EPSG:4326", transform=edge
        ) as file:
            file.update_tags(AREA_OR_POINT="Point")
            file.write(np.ones((1, 5, 5), np.float32))
        assert rasterio.open(path).tags()["AREA_OR_POINT"] == "Point"
        grid = source_of(path, unit="m")[0].grid
        assert grid.xy(0, 0) == pytest.approx((-172.000138889, -12.999861111), abs=1e-9)
        assert grid.xy(0.5, 0.5) == pytest.approx((-172.0, -13.0), abs=1e-9)

    def test_cells_may_be_wider_than_high(self, tmp_path):
        shape = Affine(1.5 / 3600, 0, 10, 0, -1 / 3600, 55)
        path = written(tmp_path / "dem.tif", np.ones((3, 3), np.float32), crs="EPSG:4326", transform=shape)
        assert source_of(path, unit="m")[0].grid.cell_size == pytest.approx((1.5 / 3600, 1 / 3600))


class TestLandCover:
    """ESA WorldCover (class table of the 2020 map) and CORINE (EEA grid codes; pairs partly from memory)."""

    def test_worldcover_codes_come_through_and_0_is_nodata(self, tmp_path):
        codes = np.uint8([[0, 10, 20, 30, 40, 50, 60, 70, 80, 90, 95, 100]])
        place = {"crs": "EPSG:4326", "transform": Affine(1 / 12000, 0, 3, 0, -1 / 12000, 48)}
        source, _ = source_of(written(tmp_path / "wc.tif", codes, nodata=0, **place), kind="classes")
        values = source.read(source.grid.window).values[0]
        assert np.isnan(values[0])
        assert values[1:].tolist() == codes[0, 1:].tolist()

    @pytest.mark.parametrize(("dtype", "nodata"), [("uint8", 48), ("int8", -128)])
    def test_corine_releases_differ_in_their_nodata(self, tmp_path, dtype, nodata):
        codes = np.array([[23, 29, nodata]], dtype)
        place = {"crs": "EPSG:3035", "transform": Affine(100, 0, 3_000_000, 0, -100, 3_000_000)}
        source, _ = source_of(written(tmp_path / "clc.tif", codes, **place), kind="classes", nodata=nodata)
        values = source.read(source.grid.window).values[0]
        assert values[:2].tolist() == [23, 29]
        assert np.isnan(values[2])
