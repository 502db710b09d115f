from __future__ import annotations

import json
import pickle
import threading
from dataclasses import replace
from types import SimpleNamespace

import h5py
import numpy as np
import pyproj
import pytest
import xarray as xr

from underoak.base.errors import UnderoakError
from underoak.base.grid import Window
from underoak.layers.formats import netcdf_zarr_files

from layer_builders import codes, monthly, opened, whole, write_nc

ENGINES = ["h5netcdf", "scipy"]
STARTS = np.cumsum([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30])
LENGTHS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
ONES = np.ones((12, 2, 3), np.float32)


@pytest.fixture(autouse=True)
def _closed():
    yield
    netcdf_zarr_files.close_stores()


def flat(values, x, y, x_attrs=None, y_attrs=None, dims=("y", "x"), **attrs):
    """A dataset without time."""
    return xr.Dataset(
        {"v": (dims, np.asarray(values), {"units": "mm", **attrs})},
        coords={"x": ("x", np.asarray(x), x_attrs or {}), "y": ("y", np.asarray(y), y_attrs or {})},
    )


DEGREES = ({"units": "degrees_east"}, {"units": "degrees_north"})
FLAT = np.arange(6, dtype=np.float32).reshape(2, 3)


class TestGrid:
    @pytest.mark.parametrize("engine", ENGINES)
    def test_cells_lie_half_a_step_around_their_coordinates(self, tmp_path, engine):
        write_nc(tmp_path / "v.nc", flat(FLAT, [1.0, 1.5, 2.0], [44.5, 44.0], *DEGREES), engine)
        source, problems = opened(tmp_path, "v.nc")
        assert not codes(problems)
        assert source.grid.transform == (0.5, 0.0, 0.75, 0.0, -0.5, 44.75)
        assert (source.grid.crs, source.grid.shape, source.months) == ("EPSG:4326", (2, 3), ())
        np.testing.assert_array_equal(whole(source), FLAT)
        np.testing.assert_array_equal(source.read(Window(1, 1, 1, 2)).values, FLAT[1:, 1:])
        assert source.facts.format == "NetCDF"

    def test_rising_latitudes_make_rows_that_run_north(self, tmp_path):
        write_nc(tmp_path / "up.nc", flat(FLAT, [1.0, 1.5, 2.0], [44.0, 44.5], *DEGREES))
        write_nc(tmp_path / "down.nc", flat(FLAT[::-1], [1.0, 1.5, 2.0], [44.5, 44.0], *DEGREES))
        up, down = opened(tmp_path, "up.nc")[0], opened(tmp_path, "down.nc")[0]
        assert up.grid.transform[4] == 0.5
        assert up.grid.bounds == down.grid.bounds
        np.testing.assert_array_equal(whole(up)[::-1], whole(down))

    @pytest.mark.parametrize("dims", [("t", "y", "x"), ("x", "y", "t"), ("y", "t", "x"), ("x", "t", "y")])
    def test_dimensions_may_come_in_any_order(self, tmp_path, dims):
        data = np.arange(24, dtype=np.float32).reshape(4, 2, 3)
        time = ("t", np.arange(4) * 30, {"units": "days since 2001-01-05", "calendar": "360_day"})
        dataset = xr.Dataset(
            {"v": (("t", "y", "x"), data, {"units": "mm"})},
            {"t": time, "y": ("y", [1.0, 2.0], DEGREES[1]), "x": ("x", [1.0, 2.0, 3.0], DEGREES[0])},
        ).transpose(*dims)
        write_nc(tmp_path / "v.nc", dataset)
        source, problems = opened(tmp_path, "v.nc")
        assert not codes(problems)
        np.testing.assert_array_equal(whole(source), data)
        np.testing.assert_array_equal(source.read(Window(1, 0, 1, 2)).values, data[:, 1:, :2])

    @pytest.mark.parametrize(
        ("names", "attrs"),
        [
            (("lat", "lon"), ({}, {})),
            (("rows", "cols"), ({"axis": "Y"}, {"axis": "X"})),
            (("a", "b"), ({"standard_name": "latitude"}, {"standard_name": "longitude"})),
            (("northing", "easting"), ({}, {})),
            (("j", "i"), ({"units": "degrees_north"}, {"units": "degrees_east"})),
        ],
    )
    def test_axes_are_known_by_attributes_or_common_names(self, tmp_path, names, attrs):
        dataset = xr.Dataset(
            {"v": (names, FLAT, {"units": "mm"})},
            {names[0]: (names[0], [2.0, 1.0], attrs[0]), names[1]: (names[1], [1.0, 2.0, 3.0], attrs[1])},
        )
        write_nc(tmp_path / "v.nc", dataset)
        source, problems = opened(tmp_path, "v.nc", crs="EPSG:4326")
        assert not codes(problems)
        assert source.grid.shape == (2, 3)

    def test_a_further_axis_of_one_step_is_let_pass_and_of_more_is_refused(self, tmp_path):
        dataset = flat(FLAT, [1.0, 1.5, 2.0], [44.5, 44.0], *DEGREES).expand_dims(height=[2.0])
        write_nc(tmp_path / "one.nc", dataset)
        np.testing.assert_array_equal(whole(opened(tmp_path, "one.nc")[0]), FLAT)
        write_nc(tmp_path / "two.nc", xr.concat([dataset, dataset], "height"))
        _, problems = opened(tmp_path, "two.nc", variable="v")
        assert codes(problems) == ["E227"]
        assert "height 2" in problems.faults[0].what

    def test_longitudes_from_0_to_360_stay_as_stored_and_close_the_circle(self, tmp_path):
        lon, lat = np.arange(0.5, 360), np.arange(89.5, -90, -1.0)
        write_nc(tmp_path / "v.nc", flat(np.ones((180, 360), np.float32), lon, lat, *DEGREES))
        source, problems = opened(tmp_path, "v.nc")
        assert not codes(problems)
        assert source.grid.bounds == (0.0, -90.0, 360.0, 90.0)
        assert source.is_periodic

    def test_a_circle_in_float32_coordinates_closes_all_the_same(self, tmp_path):
        n = 4320
        lon = (np.arange(n) * (360 / n) + 180 / n).astype(np.float32)
        write_nc(tmp_path / "v.nc", flat(np.ones((2, n), np.float32), lon, np.float32([1.0, 0.9]), *DEGREES))
        assert opened(tmp_path, "v.nc")[0].is_periodic

    def test_a_gap_in_an_axis_is_refused(self, tmp_path):
        write_nc(tmp_path / "v.nc", flat(np.ones((2, 4)), [1.0, 2.0, 4.0, 5.0], [2.0, 1.0], *DEGREES))
        _, problems = opened(tmp_path, "v.nc")
        assert codes(problems) == ["E224"]
        assert "from 2 to 4" in problems.faults[0].what

    @pytest.mark.parametrize("x", [[1.0, 1.0, 1.0], [1.0, np.nan, 3.0]])
    def test_an_axis_without_steps_is_refused(self, tmp_path, x):
        write_nc(tmp_path / "v.nc", flat(FLAT, x, [2.0, 1.0], *DEGREES))
        assert codes(opened(tmp_path, "v.nc")[1]) == ["E224"]

    def test_rounded_coordinates_in_float32_are_regular(self, tmp_path):
        lon = np.float32(170 + np.arange(300) / 120)
        write_nc(tmp_path / "v.nc", flat(np.ones((2, 300)), lon, np.float32([45 + 1 / 120, 45]), *DEGREES))
        assert not codes(opened(tmp_path, "v.nc")[1])

    def test_a_dimension_without_coordinates_is_refused(self, tmp_path):
        write_nc(tmp_path / "v.nc", xr.Dataset({"v": (("y", "x"), FLAT, {"units": "mm"})}))
        assert set(codes(opened(tmp_path, "v.nc", crs="EPSG:3035")[1])) == {"E224"}


class TestCrs:
    def test_without_any_it_is_never_assumed(self, tmp_path):
        write_nc(tmp_path / "v.nc", flat(FLAT, [0.0, 1e3, 2e3], [1e3, 0.0]))
        assert codes(opened(tmp_path, "v.nc")[1]) == ["E201"]
        source, problems = opened(tmp_path, "v.nc", crs="EPSG:3035")
        assert not codes(problems)
        assert source.grid.crs == "EPSG:3035"

    @pytest.mark.parametrize("mapping", ["crs", "crs: x y"])
    def test_a_grid_mapping_is_followed_and_kilometres_become_metres(self, tmp_path, mapping):
        cf = pyproj.CRS("EPSG:3035").to_cf()
        dataset = flat(
            FLAT, [4000.0, 4001.0, 4002.0], [3001.0, 3000.0], {"units": "km"}, {"units": "km"}, grid_mapping=mapping
        )
        dataset["crs"] = ((), 0, cf)
        write_nc(tmp_path / "v.nc", dataset)
        source, problems = opened(tmp_path, "v.nc")
        assert not codes(problems)
        assert source.grid.crs == "EPSG:3035"
        assert source.grid.transform == (1000.0, 0.0, 3_999_500.0, 0.0, -1000.0, 3_001_500.0)

    def test_parameters_without_a_text_are_read_too(self, tmp_path):
        cf = {k: v for k, v in pyproj.CRS("EPSG:3035").to_cf().items() if k != "crs_wkt"}
        dataset = flat(FLAT, [4e6, 4.001e6, 4.002e6], [3.001e6, 3e6], {"units": "m"}, {"units": "m"}, grid_mapping="p")
        dataset["p"] = ((), 0, cf)
        write_nc(tmp_path / "v.nc", dataset)
        source, problems = opened(tmp_path, "v.nc")
        assert not codes(problems)
        assert pyproj.CRS(source.grid.crs).coordinate_operation.method_name == "Lambert Azimuthal Equal Area"
        assert source.grid.transform[0] == pytest.approx(1000.0)

    def test_the_plan_wins_over_the_file_and_that_is_told(self, tmp_path):
        write_nc(tmp_path / "v.nc", flat(FLAT, [1.0, 1.5, 2.0], [44.5, 44.0], *DEGREES))
        source, problems = opened(tmp_path, "v.nc", crs="EPSG:4258")
        assert codes(problems) == ["W203"]
        assert source.grid.crs == "EPSG:4258"

    def test_degrees_that_cannot_be_are_refused(self, tmp_path):
        write_nc(tmp_path / "v.nc", flat(FLAT, [500000.0, 500001.0, 500002.0], [44.5, 44.0], *DEGREES))
        assert codes(opened(tmp_path, "v.nc")[1]) == ["E206"]


class TestVariable:
    def test_the_only_map_is_taken(self, tmp_path):
        dataset = flat(FLAT, [1.0, 1.5, 2.0], [44.5, 44.0], *DEGREES)
        dataset["lat_bnds"] = (("y", "two"), np.zeros((2, 2)))
        write_nc(tmp_path / "v.nc", dataset)
        assert opened(tmp_path, "v.nc")[0].variable == "v"

    def test_several_are_named_when_none_is_chosen(self, tmp_path):
        dataset = flat(FLAT, [1.0, 1.5, 2.0], [44.5, 44.0], *DEGREES)
        dataset["other"] = dataset["v"] * 2
        write_nc(tmp_path / "v.nc", dataset)
        _, problems = opened(tmp_path, "v.nc")
        assert codes(problems) == ["E227"]
        assert "v, other" in problems.faults[0].fix
        assert not codes(opened(tmp_path, "v.nc", variable="v")[1])
        _, problems = opened(tmp_path, "v.nc", variable="othr")
        assert codes(problems) == ["E227"]
        assert '"other"' in problems.faults[0].fix

    def test_a_file_without_a_map_says_so(self, tmp_path):
        write_nc(tmp_path / "v.nc", xr.Dataset({"v": (("station",), np.ones(3))}))
        assert codes(opened(tmp_path, "v.nc", unit="mm")[1]) == ["E227"]


class TestDecoding:
    @pytest.mark.parametrize("engine", ENGINES)
    def test_scale_offset_and_both_fill_values_are_applied_once(self, tmp_path, engine):
        stored = np.int16([[100, -999, 7], [0, 50, -1]])
        about = {"scale_factor": 0.1, "add_offset": 5.0, "missing_value": np.int16(-1), "_FillValue": np.int16(-999)}
        write_nc(tmp_path / "v.nc", flat(stored, [1.0, 1.5, 2.0], [44.5, 44.0], *DEGREES, **about), engine)
        source, problems = opened(tmp_path, "v.nc")
        assert not codes(problems)
        np.testing.assert_allclose(whole(source), [[15, np.nan, 5.7], [5, 10, np.nan]], rtol=1e-6)
        assert codes(opened(tmp_path, "v.nc", scale=0.1)[1]) == ["E214"]

    def test_an_undeclared_1e20_is_dropped_and_counted(self, tmp_path):
        write_nc(
            tmp_path / "v.nc", flat(np.float32([[1, 1e20, 2], [3, 4, 5]]), [1.0, 1.5, 2.0], [44.5, 44.0], *DEGREES)
        )
        reading = opened(tmp_path, "v.nc")[0].read(Window(0, 0, 2, 3))
        assert np.isnan(reading.values[0, 1])
        assert reading.implausible == 1

    def test_unsigned_numbers_in_signed_bytes_are_read_as_meant(self, tmp_path):
        about = {"_Unsigned": "true", "_FillValue": np.int8(-1)}
        stored = np.int8([[0, -56, -1], [1, 2, 3]])
        write_nc(tmp_path / "v.nc", flat(stored, [1.0, 1.5, 2.0], [44.5, 44.0], *DEGREES, **about), "scipy")
        source, problems = opened(tmp_path, "v.nc")
        assert not codes(problems)
        np.testing.assert_array_equal(whole(source), [[0, 200, np.nan], [1, 2, 3]])

    def test_a_scale_that_is_no_number_is_told(self, tmp_path):
        write_nc(tmp_path / "v.nc", flat(FLAT, [1.0, 1.5, 2.0], [44.5, 44.0], *DEGREES, scale_factor="tenth"))
        assert codes(opened(tmp_path, "v.nc")[1]) == ["E214"]


class TestMonths:
    def test_three_ways_to_write_rain_give_the_same_millimetres(self, tmp_path):
        depth = np.linspace(10, 120, 12)[:, None, None] * ONES
        seconds = (LENGTHS * 86400.0)[:, None, None]
        ways = {
            "flux.nc": ((depth / seconds).astype(np.float64), "kg m-2 s-1"),
            "day.nc": (depth / LENGTHS[:, None, None], "mm/day"),
            "second.nc": (depth / seconds, "mm/s"),
            "month.nc": (depth, "mm/month"),
            "depth.nc": (depth, "mm"),
            "per_m.nc": (depth, "mm/m"),
        }
        for name, (values, units) in ways.items():
            write_nc(tmp_path / name, monthly(values, units))
            source, problems = opened(tmp_path, name, season="summer")
            assert not codes(problems), name
            assert (source.facts.unit, source.months) == ("mm", tuple(range(1, 13)))
            np.testing.assert_allclose(whole(source), depth, rtol=3e-7, err_msg=name)

    @pytest.mark.parametrize(
        ("calendar", "lengths"),
        [("360_day", [30] * 12), ("noleap", LENGTHS), ("julian", LENGTHS), ("standard", LENGTHS)],
    )
    def test_a_rate_is_worth_its_months_length_in_its_own_calendar(self, tmp_path, calendar, lengths):
        starts = np.concatenate([[0], np.cumsum(lengths)[:-1]])
        write_nc(tmp_path / "v.nc", monthly(ONES, "mm/day", starts, calendar))
        np.testing.assert_allclose(whole(opened(tmp_path, "v.nc")[0])[:, 0, 0], lengths)

    def test_several_years_give_the_mean_of_each_calendar_month(self, tmp_path):
        # 2003 to 2006: a month's rate of 1 mm/day gives 28, 29, 28, 28 mm in February
        starts = xr.date_range("2003-01-01", periods=48, freq="MS", use_cftime=True)
        time = np.array([(t - starts[0]).days for t in starts])
        write_nc(tmp_path / "v.nc", monthly(np.ones((48, 2, 3)), "mm/day", time, since="days since 2003-01-01"))
        source, problems = opened(tmp_path, "v.nc")
        assert not codes(problems)
        assert source.months == tuple(range(1, 13))
        np.testing.assert_allclose(whole(source)[1], 28.25)
        assert "mean of 4 years" in source.facts.decoding

    def test_the_mean_of_years_does_not_depend_on_how_steps_are_read(self, tmp_path):
        values = np.random.default_rng(5).gamma(2, 40, (240, 2, 3)).astype(np.float32)
        write_nc(tmp_path / "v.nc", monthly(values, "mm", np.arange(240), since="months since 1981-01-01"))
        source, _ = opened(tmp_path, "v.nc")
        at_once = whole(source)
        np.testing.assert_allclose(at_once, values.reshape(20, 12, 2, 3).astype(np.float64).mean(0), rtol=1e-6)
        np.testing.assert_array_equal(whole(replace(source, max_bytes_at_once=60)), at_once)
        np.testing.assert_array_equal(source.read(Window(1, 2, 1, 1)).values, at_once[:, 1:, 2:])

    def test_a_month_with_fewer_than_half_of_its_years_is_missing(self, tmp_path):
        values = np.full((36, 2, 3), 10.0, np.float32)
        values[0, 0, 0] = np.nan  # one January of three
        values[[0, 12], 0, 1] = np.nan  # two of three
        write_nc(tmp_path / "v.nc", monthly(values, "mm", np.arange(36), since="months since 2001-01-01"))
        january = whole(opened(tmp_path, "v.nc")[0])[0]
        assert january[0, 0] == 10
        assert np.isnan(january[0, 1])

    def test_temperatures_are_not_multiplied_by_anything(self, tmp_path):
        write_nc(tmp_path / "v.nc", monthly(ONES * 285, "K", name="tas"))
        source, problems = opened(tmp_path, "v.nc", to="degC")
        assert not codes(problems)
        np.testing.assert_allclose(whole(source), 11.85, atol=1e-4)

    def test_a_part_of_the_year_gives_those_months(self, tmp_path):
        write_nc(tmp_path / "v.nc", monthly(ONES[:3], "mm", STARTS[5:8]))
        source, _ = opened(tmp_path, "v.nc")
        assert source.months == (6, 7, 8)
        assert whole(source).shape == (3, 2, 3)

    @pytest.mark.parametrize(
        ("steps", "word"),
        [(np.delete(STARTS, 6), "2001-07"), (STARTS[::-1], "backwards"), (np.append(STARTS[:11], 310), "2001-11")],
    )
    def test_a_faulty_time_axis_is_told(self, tmp_path, steps, word):
        write_nc(tmp_path / "v.nc", monthly(np.ones((len(steps), 2, 3)), "mm", steps))
        source, problems = opened(tmp_path, "v.nc")
        assert source is None
        assert codes(problems) == ["E225"]
        assert word in problems.faults[0].what

    def test_bounds_of_time_decide_the_month(self, tmp_path):
        ends = np.append(STARTS[1:], 365)
        dataset = monthly(ONES * np.arange(12, dtype=np.float32)[:, None, None], "mm", ends)
        dataset["time"].attrs["bounds"] = "time_bnds"
        dataset["time_bnds"] = (("time", "nv"), np.column_stack([STARTS, ends]).astype(float))
        write_nc(tmp_path / "v.nc", dataset)
        source, problems = opened(tmp_path, "v.nc", variable="pr")
        assert not codes(problems)
        assert whole(source)[:, 0, 0].tolist() == list(range(12))

    def test_one_step_of_time_is_a_map_unless_months_are_asked_for(self, tmp_path):
        write_nc(tmp_path / "v.nc", monthly(ONES[:1], "mm/day", [181]))
        assert opened(tmp_path, "v.nc")[0].months == ()
        source, _ = opened(tmp_path, "v.nc", months=[7])
        assert source.months == (7,)
        assert whole(source)[0, 0, 0] == 31


class TestZarr:
    @pytest.mark.parametrize("version", [2, 3])
    def test_it_reads_like_the_same_netcdf(self, tmp_path, version):
        values = np.random.default_rng(1).integers(0, 500, (12, 30, 40)).astype(np.int16)
        lat, lon = np.linspace(45, 44, 30), np.linspace(1, 2, 40)
        dataset = monthly(values, "mm", lat=lat, lon=lon, scale_factor=0.1, _FillValue=np.int16(77))
        write_nc(tmp_path / "v.nc", dataset)
        dataset.to_zarr(
            tmp_path / "v.zarr",
            zarr_format=version,
            encoding={"pr": {"chunks": (12, 16, 16)}},
            consolidated=version == 2,
        )
        zarr, problems = opened(tmp_path, "v.zarr")
        assert not codes(problems)
        netcdf, _ = opened(tmp_path, "v.nc")
        np.testing.assert_array_equal(whole(zarr), whole(netcdf))
        assert np.isnan(whole(zarr)).sum() == (values == 77).sum() > 0
        assert zarr.facts.format == "Zarr"
        assert zarr.facts.block == (16, 16)
        assert {str(p) for p in (tmp_path / "v.zarr").rglob("*") if p.is_file()} == set(zarr.facts.files)
        assert whole(pickle.loads(pickle.dumps(zarr))).shape == (12, 30, 40)

    def store(self, tmp_path, version=2):
        flat(FLAT, [1.0, 1.5, 2.0], [44.5, 44.0], *DEGREES).to_zarr(
            tmp_path / "v.zarr", zarr_format=version, consolidated=False
        )
        return tmp_path / "v.zarr"

    @pytest.mark.parametrize(
        "change",
        [
            {"filters": [{"id": "pickle"}]},
            {"filters": [{"id": "json2"}]},
            {"compressor": {"id": "categorize"}},
            {"dtype": "|O"},
        ],
    )
    def test_codecs_and_types_that_could_run_code_are_refused(self, tmp_path, change):
        about = self.store(tmp_path) / "x" / ".zarray"
        about.write_text(json.dumps({**json.loads(about.read_text()), **change}))
        source, problems = opened(tmp_path, "v.zarr")
        assert source is None
        assert codes(problems) == ["E240"]

    def test_they_are_found_in_version_3_and_in_consolidated_descriptions_too(self, tmp_path):
        about = self.store(tmp_path, 3) / "v" / "zarr.json"
        plain = json.loads(about.read_text())
        evil = {**plain, "codecs": [{"name": "numcodecs.pickle"}]}
        about.write_text(json.dumps(evil))
        assert codes(opened(tmp_path, "v.zarr")[1]) == ["E240"]
        about.write_text(json.dumps(plain))
        group = tmp_path / "v.zarr" / "zarr.json"
        whole_text = {**json.loads(group.read_text()), "consolidated_metadata": {"metadata": {"v": evil}}}
        group.write_text(json.dumps(whole_text))
        assert codes(opened(tmp_path, "v.zarr")[1]) == ["E240"]

    def test_a_link_inside_the_folder_is_refused(self, tmp_path):
        (self.store(tmp_path) / "v" / "0.1").symlink_to("/etc/hostname")
        assert codes(opened(tmp_path, "v.zarr")[1]) == ["E241"]

    def test_an_axis_that_claims_to_be_endless_is_refused_unread(self, tmp_path):
        about = self.store(tmp_path) / "x" / ".zarray"
        about.write_text(json.dumps({**json.loads(about.read_text()), "shape": [10**12]}))
        assert codes(opened(tmp_path, "v.zarr")[1]) == ["E231"]

    def test_a_chunk_that_claims_to_be_enormous_is_refused(self, tmp_path):
        about = self.store(tmp_path) / "v" / ".zarray"
        about.write_text(
            json.dumps({**json.loads(about.read_text()), "chunks": [10000, 10000], "shape": [10000, 10000]})
        )
        assert codes(opened(tmp_path, "v.zarr")[1]) == ["E231"]

    def test_a_damaged_chunk_is_an_error_and_never_nodata(self, tmp_path):
        chunk = self.store(tmp_path) / "v" / "0.0"
        source, _ = opened(tmp_path, "v.zarr")
        chunk.write_bytes(chunk.read_bytes()[:10])
        with pytest.raises(UnderoakError, match="E230"):
            whole(source)

    def test_a_folder_that_is_no_store_is_an_error(self, tmp_path):
        (tmp_path / "v.zarr").mkdir()
        assert codes(opened(tmp_path, "v.zarr")[1]) == ["E230"]
        (tmp_path / "v.zarr" / ".zgroup").write_text("{not json")
        assert codes(opened(tmp_path, "v.zarr")[1]) == ["E230"]

    def test_a_file_where_a_folder_should_be_is_told(self, tmp_path):
        (tmp_path / "v.zarr").write_text("x")
        assert codes(opened(tmp_path, "v.zarr")[1]) == ["E245"]


class TestHdf5:
    def test_links_to_other_files_are_refused(self, tmp_path):
        write_nc(tmp_path / "other.nc", flat(FLAT, [1.0, 1.5, 2.0], [44.5, 44.0], *DEGREES))
        write_nc(tmp_path / "v.nc", flat(FLAT, [1.0, 1.5, 2.0], [44.5, 44.0], *DEGREES))
        with h5py.File(tmp_path / "v.nc", "a") as file:
            file["elsewhere"] = h5py.ExternalLink(str(tmp_path / "other.nc"), "/v")
        assert codes(opened(tmp_path, "v.nc")[1]) == ["E240"]

    def test_raw_bytes_of_another_file_are_refused(self, tmp_path):
        (tmp_path / "secret").write_bytes(bytes(range(48)))
        write_nc(tmp_path / "v.nc", flat(FLAT, [1.0, 1.5, 2.0], [44.5, 44.0], *DEGREES))
        with h5py.File(tmp_path / "v.nc", "a") as file:
            file.create_dataset("raw", (2, 3), "f8", external=[(str(tmp_path / "secret"), 0, 48)])
        assert codes(opened(tmp_path, "v.nc", variable="raw")[1]) == ["E240"]

    def test_virtual_arrays_are_refused(self, tmp_path):
        write_nc(tmp_path / "v.nc", flat(FLAT, [1.0, 1.5, 2.0], [44.5, 44.0], *DEGREES))
        layout = h5py.VirtualLayout((2, 3), "f4")
        layout[:] = h5py.VirtualSource(str(tmp_path / "v.nc"), "v", (2, 3))
        with h5py.File(tmp_path / "v.nc", "a") as file:
            file.create_virtual_dataset("virtual", layout)
        assert codes(opened(tmp_path, "v.nc")[1]) == ["E240"]

    def test_an_axis_that_claims_to_be_endless_is_refused_unread(self, tmp_path):
        write_nc(tmp_path / "v.nc", flat(FLAT, [1.0, 1.5, 2.0], [44.5, 44.0], *DEGREES))
        with h5py.File(tmp_path / "v.nc", "a") as file:
            file.create_dataset("endless", (10**12,), "f8", chunks=(1000,))
        assert codes(opened(tmp_path, "v.nc")[1]) == ["E231"]


class TestDamage:
    @pytest.mark.parametrize("engine", ENGINES)
    @pytest.mark.parametrize("keep", [0.0, 0.1, 0.5, 0.9])
    def test_a_file_cut_short_is_an_error_and_never_nodata(self, tmp_path, engine, keep, capfd):
        values = np.random.default_rng(2).normal(10, 1, (12, 50, 60)).astype(np.float32)
        lat, lon = np.linspace(45, 44, 50), np.linspace(1, 2, 60)
        path = write_nc(tmp_path / "v.nc", monthly(values, "mm", lat=lat, lon=lon), engine)
        data = path.read_bytes()
        path.write_bytes(data[: int(len(data) * keep)])
        source, problems = opened(tmp_path, "v.nc")
        if source is None:
            assert codes(problems) == ["E230"]
        else:
            with pytest.raises(UnderoakError, match="E230"):
                whole(source)
        assert capfd.readouterr().err == ""

    def test_a_damaged_chunk_is_an_error(self, tmp_path):
        values = np.add.outer(np.arange(64), np.arange(64)).astype(np.float32)
        dataset = flat(values, np.arange(64) * 1.0, np.arange(64) * 1.0, *DEGREES)
        dataset.to_netcdf(
            tmp_path / "v.nc", engine="h5netcdf", encoding={"v": {"compression": "gzip", "chunksizes": (16, 16)}}
        )
        with h5py.File(tmp_path / "v.nc") as file:
            at = file["v"].id.get_chunk_info(5)
        source, problems = opened(tmp_path, "v.nc")
        assert not codes(problems)
        data = bytearray((tmp_path / "v.nc").read_bytes())
        for i in range(at.byte_offset + 8, at.byte_offset + at.size):
            data[i] ^= 0x5A
        (tmp_path / "v.nc").write_bytes(data)
        row, col = at.chunk_offset
        with pytest.raises(UnderoakError, match="E230"):
            source.read(Window(row, col, 16, 16))
        np.testing.assert_array_equal(source.read(Window(0, 0, 16, 16)).values, values[:16, :16])

    def test_other_bytes_are_an_error(self, tmp_path):
        (tmp_path / "v.nc").write_bytes(b"GIF89a and so on" * 9)
        assert codes(opened(tmp_path, "v.nc")[1]) == ["E230"]


def test_more_cells_than_trusted_are_refused(tmp_path):
    write_nc(tmp_path / "v.nc", flat(FLAT, [1.0, 1.5, 2.0], [44.5, 44.0], *DEGREES))
    assert codes(opened(tmp_path, "v.nc", SimpleNamespace(roots=(), max_cells=0.02))[1]) == ["E231"]


@pytest.mark.parametrize("kind", ["v.nc", "v.zarr"])
def test_four_threads_read_what_one_reads(tmp_path, kind):
    values = np.random.default_rng(3).gamma(2, 30, (24, 60, 70)).astype(np.float32)
    lat, lon = np.linspace(45, 44, 60), np.linspace(1, 2, 70)
    dataset = monthly(values, "mm", np.arange(24), since="months since 2001-01-01", lat=lat, lon=lon)
    if kind == "v.nc":
        write_nc(tmp_path / kind, dataset)
    else:
        dataset.to_zarr(tmp_path / kind, zarr_format=2, encoding={"pr": {"chunks": (6, 20, 20)}})
    source, _ = opened(tmp_path, kind)
    rng = np.random.default_rng(1)
    windows = [Window(int(rng.integers(0, 40)), int(rng.integers(0, 50)), 20, 20) for _ in range(40)]
    alone = [source.read(window).values for window in windows]
    together: dict[int, np.ndarray] = {}

    def work(first):
        for at in range(first, len(windows), 4):
            together[at] = source.read(windows[at]).values

    threads = [threading.Thread(target=work, args=(first,)) for first in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(together) == len(windows)
    for at, one in enumerate(alone):
        np.testing.assert_array_equal(one, together[at])
