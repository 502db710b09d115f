from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.base.grid import Window
from underoak.base.number_words import thousands
from underoak.layers.decoding.plausibility import LayerNames, check_values
from underoak.layers.decoding.time_axis import MONTH_NAMES
from underoak.layers.decoding.value_tally import count_values, sample_windows
from underoak.layers.files import Trust

from layer_builders import codes, monthly, opened, write_nc, write_tif

RNG = np.random.default_rng(11)
SHAPE = (80, 90)


def judged(tmp_path, values, file=None, **layer):
    """What is told of a layer with these stored values."""
    write_tif(tmp_path / "ph.tif", values, **(file or {}))
    source, problems = opened(tmp_path, "ph.tif", **layer)
    assert not problems.faults
    check_values(count_values(source, source.grid.window), source, LayerNames.of([source.request]), problems)
    return problems


def mixed(values, tag, share=0.05):
    values = values.copy()
    values[RNG.random(values.shape) < share] = tag
    return values


PH10 = RNG.integers(52, 85, SHAPE).astype(np.int16)


def test_ph_times_ten_is_proposed_and_not_guessed(tmp_path):
    problems = judged(tmp_path, PH10, unit="pH")
    assert codes(problems) == ["E204"]
    assert str(problems.faults[0]) == (
        "E204 soil_ph (ph.tif): values 52..84 do not fit pH 2..11 (7 200 of 7 200 sampled values, first in row 1, "
        "column 1, longitude 1.8012, latitude 41.5453); they fit pH*10. "
        'Fix: add "scale: 0.1" under layers.soil_ph, or "unit: pH*10"'
    )


@pytest.mark.parametrize(
    ("values", "layer", "fix"),
    [
        (PH10, {"unit": "pH*10"}, None),
        (PH10, {"unit": "pH", "scale": 0.1}, None),
        (PH10 * 10, {"unit": "pH"}, '"unit: pH*100"'),
        (PH10 * 10, {"unit": "pH", "scale": 0.1}, '"scale: 0.01"'),
        (np.float32(PH10 / 10), {"unit": "pH*10"}, '"unit: pH"'),
        (RNG.integers(275, 300, SHAPE).astype(np.int16), {"unit": "degC"}, '"unit: K"'),
        (RNG.integers(-90, 260, SHAPE).astype(np.int16), {"unit": "degC"}, '"unit: degC*10"'),
        (np.float32(RNG.uniform(-5, 25, SHAPE)), {"unit": "K", "to": "degC"}, '"unit: degC"'),
        (np.float32(RNG.uniform(275, 300, SHAPE)), {"unit": "K", "to": "degC"}, None),
        (RNG.integers(100, 600, SHAPE).astype(np.int16), {"unit": "percent"}, '"unit: g/kg"'),
        (np.float32(RNG.uniform(10, 60, SHAPE)), {"unit": "fraction", "to": "percent"}, '"unit: percent"'),
        (RNG.integers(30000, 90000, SHAPE).astype(np.int32), {"unit": "m"}, '"unit: m*10"'),
        (RNG.integers(2000, 9000, SHAPE).astype(np.int16), {"unit": "%"}, "\"unit: '%*100'\""),  # bare it is no YAML
        (RNG.integers(0, 300, SHAPE).astype(np.int16), {"unit": "degC", "quantity": "temperature_range"}, "*10"),
    ],
)
def test_a_unit_that_does_not_fit_gets_one_that_does(tmp_path, values, layer, fix):
    problems = judged(tmp_path, values, **layer)
    if fix is None:
        assert not codes(problems)
    else:
        assert codes(problems) == ["E204"]
        assert fix in problems.faults[0].fix


def test_the_fix_for_a_quantile_names_its_key(tmp_path):
    write_tif(tmp_path / "ph.tif", PH10)
    source, _ = opened(tmp_path, "ph.tif", unit="pH")
    assert replace(source.request, name="soil_ph at 0.05").key == "layers.soil_ph.quantiles.0.05"
    assert source.request.key == "layers.soil_ph"


def test_kelvin_that_could_also_be_tenths_of_a_degree_names_both(tmp_path):
    problems = judged(tmp_path, RNG.integers(285, 300, SHAPE).astype(np.int16), unit="degC")
    assert "they fit K or degC*10" in problems.faults[0].what


def test_values_that_fit_nothing_get_no_proposal(tmp_path):
    problems = judged(tmp_path, RNG.integers(-30000, 30000, SHAPE).astype(np.int16), unit="pH")
    assert codes(problems) == ["E204"]
    assert "they fit" not in problems.faults[0].what
    assert "valid" in problems.faults[0].fix


def test_a_scale_of_the_files_own_is_not_topped_by_another(tmp_path):
    problems = judged(tmp_path, PH10, {"scale": 0.01}, unit="pH")
    assert codes(problems) == ["E204"]
    assert "scales by 0.01 itself" in problems.faults[0].fix
    assert '"scale:' not in problems.faults[0].fix


@pytest.mark.parametrize(
    ("kind", "tag", "text"),
    [
        ("i2", -9999, "-9999"),
        ("i2", -32768, "-32768"),
        ("u2", 65535, "65535"),
        ("f4", -9999, "-9999"),
        ("f4", 1e20, "1.0e+20"),
        ("f4", -3.4028235e38, "-3.4028235e+38"),
        ("f4", 9.96921e36, "9.96921e+36"),
        ("u1", 255, "255"),
        ("i2", 0, "0"),
        ("i4", -2147483648, "-2147483648"),
    ],
)
def test_a_nodata_that_nothing_declares_is_found_and_named(tmp_path, kind, tag, text):
    problems = judged(tmp_path, mixed(PH10.astype(kind), np.array(tag, kind)), unit="pH*10")
    assert codes(problems) == ["E210"]
    assert f'"nodata: {text}' in problems.faults[0].fix
    assert not codes(judged(tmp_path, mixed(PH10.astype(kind), np.array(tag, kind)), unit="pH*10", nodata=float(text)))


@pytest.mark.parametrize("tag", [-9999, -32768])
def test_declaring_it_settles_it(tmp_path, tag):
    assert not codes(judged(tmp_path, mixed(PH10, tag), unit="pH*10", nodata=tag))
    assert not codes(judged(tmp_path, mixed(PH10, tag), {"nodata": tag}, unit="pH*10"))


@pytest.mark.parametrize("tag", [-9999, -32768, 32767])
def test_a_single_never_value_is_an_error_where_it_would_be_judged(tmp_path, tag):
    values = PH10.copy()
    values[3, 4] = tag
    problems = judged(tmp_path, values, unit="1")
    assert codes(problems) == ["E210"]
    assert "1 of 7 200 sampled values" in problems.faults[0].what
    assert "first in row 4, column 5" in problems.faults[0].what
    # a plan that states such bounds says that it is a value
    assert not codes(judged(tmp_path, values, unit="1", valid=[-40000, 40000]))


@pytest.mark.parametrize("tag", [-9999, -32768])
def test_a_single_never_value_that_is_dropped_in_any_case_is_a_warning(tmp_path, tag):
    values = PH10.copy()
    values[3, 4] = tag
    problems = judged(tmp_path, values, unit="pH*10")
    assert codes(problems) == ["W204"]
    assert f'"nodata: {tag}"' in problems.warnings[0].fix


def test_65535_far_from_all_other_values_is_asked_about(tmp_path):
    values = np.float32(PH10)
    values[3, 4] = 65535
    problems = judged(tmp_path, values, unit="1")
    assert codes(problems) == ["W204"]
    assert '"nodata: 65535"' in problems.warnings[0].fix
    ramp = np.linspace(0, 131072, values.size).reshape(SHAPE).astype("f4")
    ramp[3, 4] = 65535
    assert not codes(judged(tmp_path, ramp, unit="1"))


@pytest.mark.parametrize("share", [0.02, 0.3])
def test_cells_in_another_unit_are_fitted_by_themselves(tmp_path, share):
    celsius = RNG.uniform(-5, 25, SHAPE)
    is_kelvin = RNG.random(SHAPE) < share
    problems = judged(tmp_path, np.float32(celsius + 273.15 * is_kelvin), unit="degC")
    assert codes(problems) == ["E204"]
    assert f"{thousands(int(is_kelvin.sum()))} of 7 200 sampled values" in problems.faults[0].what
    assert "by themselves they fit K" in problems.faults[0].what
    assert "correct these cells in the file" in problems.faults[0].fix


def test_every_cell_is_counted_when_every_cell_is_read(tmp_path):
    values = RNG.integers(52, 85, (700, 1500)).astype(np.int16)
    n = int(RNG.integers(2, 50))
    cells = RNG.choice(values.size, n, replace=False)
    values.ravel()[cells] = 900
    write_tif(tmp_path / "ph.tif", values)
    source, problems = opened(tmp_path, "ph.tif", unit="pH*10")
    tally = count_values(source, source.grid.window, every_cell=True)
    check_values(tally, source, LayerNames.of([source.request]), problems)
    assert codes(problems) == ["W204"]
    first_row, first_col = divmod(int(cells.min()), 1500)
    assert problems.warnings[0].what.startswith(f"{n} of 1 050 000 values, 90, cannot be true in pH")
    assert f"first in row {first_row + 1}, column {first_col + 1}," in problems.warnings[0].what


def test_the_file_of_a_mosaic_is_named(tmp_path):
    left, right = PH10.copy(), PH10.copy()
    right[5, 6] = 900
    write_tif(tmp_path / "left.tif", left)
    write_tif(tmp_path / "right.tif", right, transform=(30.0, 0.0, 400_000.0 + 30 * SHAPE[1], 0.0, -30.0, 4_600_000.0))
    bands = "".join(
        f'<SimpleSource><SourceFilename relativeToVRT="1">{name}.tif</SourceFilename><SourceBand>1</SourceBand>'
        f'<SrcRect xOff="0" yOff="0" xSize="{SHAPE[1]}" ySize="{SHAPE[0]}"/>'
        f'<DstRect xOff="{k * SHAPE[1]}" yOff="0" xSize="{SHAPE[1]}" ySize="{SHAPE[0]}"/></SimpleSource>'
        for k, name in enumerate(("left", "right"))
    )
    text = (
        f'<VRTDataset rasterXSize="{2 * SHAPE[1]}" rasterYSize="{SHAPE[0]}"><SRS>EPSG:25831</SRS>'
        "<GeoTransform>400000, 30, 0, 4600000, 0, -30</GeoTransform>"
        f'<VRTRasterBand dataType="Int16" band="1">{bands}</VRTRasterBand></VRTDataset>'
    )
    (tmp_path / "ph.vrt").write_text(text)
    source, problems = opened(tmp_path, "ph.vrt", Trust.from_plan(tmp_path), unit="pH*10")
    check_values(count_values(source, source.grid.window), source, LayerNames.of([source.request]), problems)
    assert codes(problems) == ["W204"]
    assert f"first in row 6, column {SHAPE[1] + 7}," in problems.warnings[0].what
    assert problems.warnings[0].what.endswith("right.tif")


def test_it_is_found_where_no_bounds_are_known(tmp_path):
    assert codes(judged(tmp_path, mixed(PH10, -9999), unit="g/kg")) == ["E210"]
    assert codes(judged(tmp_path, mixed(PH10.astype("u2"), 65535), unit="g/kg")) == ["E210"]


def test_zero_and_255_are_values_where_they_can_be(tmp_path):
    assert not codes(judged(tmp_path, mixed(PH10.astype("u1"), 0), unit="g/kg"))
    assert not codes(judged(tmp_path, mixed(PH10.astype("u1"), 255), unit="g/kg"))


def test_255_kelvin_is_a_temperature(tmp_path):
    problems = judged(tmp_path, RNG.integers(250, 300, SHAPE).astype(np.int16), unit="degC")
    assert codes(problems) == ["E204"]


def test_a_wrong_unit_and_an_undeclared_nodata_are_told_together(tmp_path):
    problems = judged(tmp_path, mixed(PH10, -32768), unit="pH")
    assert codes(problems) == ["E210", "E204"]
    assert "values 52..84" in problems.faults[1].what


def test_a_few_outliers_are_told_and_more_are_an_error(tmp_path):
    values = PH10.copy()
    values.ravel()[:7] = 200  # 7 of 7200 is below a thousandth
    problems = judged(tmp_path, values, unit="pH*10")
    assert codes(problems) == ["W204"]
    assert problems.warnings[0].what.startswith("7 of 7 200 sampled values, 20, cannot be true in pH")
    values.ravel()[:8] = 200
    assert codes(judged(tmp_path, values, unit="pH*10")) == ["E204"]


def test_zeros_that_a_file_calls_nodata_are_asked_about(tmp_path):
    rain = RNG.integers(1, 200, SHAPE).astype(np.int16)
    assert codes(judged(tmp_path, mixed(rain, 0, 0.05), {"nodata": 0}, unit="mm")) == ["W211"]
    assert not codes(judged(tmp_path, mixed(rain, 0, 0.05), {"nodata": 0}, unit="mm", nodata=0))
    assert not codes(judged(tmp_path, mixed(rain, 0, 0.005), {"nodata": 0}, unit="mm"))
    assert not codes(judged(tmp_path, mixed(PH10, 0, 0.05), {"nodata": 0}, unit="pH*10"))


def test_infinite_values_are_counted_and_told(tmp_path):
    problems = judged(tmp_path, mixed(PH10.astype("f4"), np.inf), unit="pH*10")
    assert codes(problems) == ["W212"]


def test_a_single_infinite_value_is_counted_and_located(tmp_path):
    row, col = int(RNG.integers(SHAPE[0])), int(RNG.integers(SHAPE[1]))
    values = PH10.astype("f4")
    values[row, col] = -np.inf
    problems = judged(tmp_path, values, unit="pH*10")
    assert codes(problems) == ["W212"]
    assert problems.warnings[0].what.startswith("1 of 7 200 sampled cells is infinite: it counts as missing")
    assert f"first in row {row + 1}, column {col + 1}, longitude" in problems.warnings[0].what


@pytest.mark.parametrize(
    ("values", "unit", "like"),
    [(RNG.uniform(0, 0.6, SHAPE), "percent", "fraction"), (RNG.uniform(0, 0.3, SHAPE), "mm", "kg m-2 s-1")],
)
def test_values_that_fit_too_well_are_asked_about(tmp_path, values, unit, like):
    problems = judged(tmp_path, np.float32(values), unit=unit)
    assert codes(problems) == ["W204"]
    assert like in problems.warnings[0].fix


def test_classes_are_judged_for_nodata_only(tmp_path):
    values = RNG.integers(0, 256, SHAPE).astype(np.uint8)
    assert not codes(judged(tmp_path, values, kind="classes"))
    assert codes(judged(tmp_path, mixed(values.astype("i2"), -9999), kind="classes")) == ["E210"]


def test_nothing_but_nodata_is_no_fault_of_the_unit(tmp_path):
    assert not codes(judged(tmp_path, np.full(SHAPE, -1, np.int16), {"nodata": -1}, unit="pH"))


def test_masked_cells_are_not_judged(tmp_path):
    values = mixed(PH10, -9999, 0.3)
    assert not codes(judged(tmp_path, values, {"mask": np.where(values == -9999, 0, 255)}, unit="pH*10"))


class TestMonthly:
    def told(self, tmp_path, values, units, **layer):
        lat, lon = np.linspace(45, 44, 20), np.linspace(1, 2, 20)
        write_nc(tmp_path / "pr.nc", monthly(values, units, lat=lat, lon=lon))
        source, problems = opened(tmp_path, "pr.nc", **layer)
        check_values(count_values(source, source.grid.window), source, LayerNames.of([source.request]), problems)
        return problems

    def test_a_fill_value_that_no_attribute_names_is_found(self, tmp_path):
        values = mixed(RNG.uniform(5, 200, (12, 20, 20)).astype(np.float32), 1e20)
        problems = self.told(tmp_path, values, "mm/month")
        assert codes(problems) == ["E210"]
        assert "nodata: 1.0e+20" in problems.faults[0].fix

    def test_a_depth_that_is_called_a_rate_is_found(self, tmp_path):
        problems = self.told(tmp_path, RNG.uniform(5, 200, (12, 20, 20)).astype(np.float32), "kg m-2 s-1")
        assert codes(problems) == ["E204"]
        assert '"unit: mm/month"' in problems.faults[0].fix

    def test_a_rate_that_is_called_a_depth_is_an_error_unless_the_plan_states_such_bounds(self, tmp_path):
        values = RNG.uniform(1e-6, 5e-5, (12, 20, 20)).astype(np.float32)
        problems = self.told(tmp_path, values, "mm")
        assert codes(problems) == ["E204"]
        assert 'write "unit: kg m-2 s-1"' in problems.faults[0].fix
        (tmp_path / "again").mkdir()
        assert not codes(self.told(tmp_path / "again", values, "mm", valid=[0, 0.01]))

    def test_one_month_in_kelvin_is_named_and_no_unit_is_proposed_for_the_others(self, tmp_path):
        month = int(RNG.integers(12))
        celsius = RNG.uniform(-5, 25, (12, 20, 20)).astype(np.float32)
        celsius[month] += 273.15
        problems = self.told(tmp_path, celsius, "degC")
        assert codes(problems) == ["E204"]
        name = MONTH_NAMES[month]
        assert problems.faults[0].what.startswith("400 of 4 800 sampled values, ")
        assert f"all of them in {name}; by themselves they fit K" in problems.faults[0].what
        assert f"first in row 1, column 1, longitude 1.0000, latitude 45.0000, 2001-{month + 1:02d}" in str(
            problems.faults[0]
        )
        assert f"correct {name} in the file" in problems.faults[0].fix
        assert '"unit: ' not in problems.faults[0].fix

    def test_years_beyond_the_first_are_counted_when_every_cell_is(self, tmp_path):
        steps = 36
        starts = np.cumsum([0, *([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31] * 3)])[:steps]
        values = RNG.uniform(-5, 25, (steps, 20, 20)).astype(np.float32)
        values[30, 7, 11] = 400.0
        lat, lon = np.linspace(45, 44, 20), np.linspace(1, 2, 20)
        write_nc(tmp_path / "tas.nc", monthly(values, "degC", time=starts, lat=lat, lon=lon, name="tas"))
        source, problems = opened(tmp_path, "tas.nc", unit="degC", reduce="mean")
        check_values(count_values(source, source.grid.window), source, LayerNames.of([source.request]), problems)
        assert not codes(problems)
        deep = count_values(source, source.grid.window, every_cell=True)
        check_values(deep, source, LayerNames.of([source.request]), problems)
        assert codes(problems) == ["W204"]
        assert problems.warnings[0].what.startswith("1 of 14 400 values, 400, cannot be true in degC")
        assert "first in row 8, column 12" in problems.warnings[0].what
        assert "2003-07" in problems.warnings[0].what


class TestLattice:
    def test_it_is_inside_and_reaches_every_edge(self):
        window = Window(100, 200, 3000, 5000)
        parts = list(sample_windows(window))
        assert len(parts) == 25
        assert all(part.rows == part.cols == 64 for part in parts)
        assert min(part.row for part in parts) == 100
        assert max(part.row + part.rows for part in parts) == 3100
        assert max(part.col + part.cols for part in parts) == 5200

    @given(
        st.integers(0, 5000), st.integers(1, 9000), st.integers(2, 10), st.sampled_from([1, 16, 63, 64, 128, 250, 512])
    )
    def test_one_block_of_the_file_is_enough_for_each_part_between_the_edges(self, start, length, n, block):
        window = Window(start, 7, length, 64)
        plain, shifted = ([part.row for part in sample_windows(window, n, block=b)] for b in ((1, 1), (block, block)))
        assert len(shifted) == len(plain)
        assert (shifted[0], shifted[-1]) == (plain[0], plain[-1])
        assert all(abs(a - b) <= 32 for a, b in zip(plain, shifted, strict=True))
        steps = np.diff(plain)
        if length <= n * 64 or block < 64 or steps.min() < 2 * 64:
            assert shifted == plain
        else:
            assert np.diff(shifted).min() >= 64  # none overlap
            assert all(row // block == (row + 63) // block for row in shifted[1:-1])

    @pytest.mark.parametrize("shape", [(1, 1), (64, 65), (300, 7), (320, 320)])
    def test_a_small_window_is_read_whole_and_once(self, shape):
        seen = np.zeros(shape, int)
        for part in sample_windows(Window(0, 0, *shape)):
            seen[part.slices] += 1
        assert (seen == 1).all()

    def test_the_same_cells_are_sampled_every_time(self, tmp_path):
        write_tif(tmp_path / "x.tif", RNG.integers(0, 9999, (500, 400)).astype(np.int16))
        source, _ = opened(tmp_path, "x.tif", unit="mm")
        first, second = (count_values(source, source.grid.window) for _ in range(2))
        np.testing.assert_array_equal(first.samples, second.samples)
        assert first.cells == 25 * 64 * 64


def test_an_empty_window_has_nothing_to_judge(tmp_path):
    write_tif(tmp_path / "x.tif", PH10)
    source, problems = opened(tmp_path, "x.tif", unit="pH")
    check_values(count_values(source, Window(0, 0, 0, 5)), source, LayerNames.of([source.request]), problems)
    assert not codes(problems)


def test_a_damaged_file_is_an_error(tmp_path):
    path = write_tif(tmp_path / "x.tif", PH10)
    source, _ = opened(tmp_path, "x.tif", unit="pH*10")
    path.write_bytes(path.read_bytes()[:-500])
    with pytest.raises(UnderoakError, match="E230"):
        count_values(source, source.grid.window)


def test_a_file_whose_nodata_is_nan_is_said_to_have_it(tmp_path):
    write_tif(tmp_path / "ph.tif", np.float32(PH10 / 10), nodata=np.nan)
    source, _ = opened(tmp_path, "ph.tif", unit="pH")
    assert "nodata nan (file)" in source.facts.decoding
