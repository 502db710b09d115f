"""Tables of single years: every slip has its line, a gap stays a gap, and units are applied once."""

from __future__ import annotations

import numpy as np
import pytest

from underoak.base.errors import Problems
from underoak.places.series.station_table import read_station
from underoak.plan.keys.decision.years import SeriesSpec

IDS = ("007", "12", "mill field")


def read(tmp_path, text, quantity="rain", unit="mm", name=None):
    (tmp_path / "s.csv").write_text(text, encoding="utf-8")
    problems = Problems()
    spec = SeriesSpec(file="s.csv", unit=unit, name=name)
    return read_station(quantity, spec, tmp_path, IDS, "field_id", problems), problems


def test_months_stand_where_they_belong_and_gaps_stay_gaps(tmp_path):
    series, problems = read(tmp_path, "year,month,rain\n1993,2,41.5\n1991,11,80\n1992,5,\n")
    assert not problems.faults
    assert (series.first, series.last) == (1991, 1993)
    assert series.values.shape == (1, 3, 12)
    assert (series.values[0, 2, 1], series.values[0, 0, 10]) == (41.5, 80.0)
    assert int(np.isfinite(series.values).sum()) == 2  # the empty field is missing, not 0
    assert series.series_of.tolist() == [0, 0, 0]


def test_a_table_by_parcel_serves_each_its_own_and_no_other(tmp_path):
    series, problems = read(tmp_path, "field_id;year;month;rain\n12;2001;1;7,5\nmill field;2001;1;9,25\n")
    assert not problems.faults
    assert series.series_of.tolist() == [-1, 0, 1]
    assert series.values[:, 0, 0].tolist() == [7.5, 9.25]


def test_days_are_kept_as_days(tmp_path):
    series, _ = read(tmp_path, "year,month,day,tmin\n2000,2,29,-7.5\n2000,3,1,-1\n", "minimum", "degC", "tmin")
    assert series.is_daily
    assert series.values[0, 0, 1, 28] == -7.5


def test_other_columns_of_a_downloaded_series_are_no_slips(tmp_path):
    series, problems = read(tmp_path, "station,year,month,rain,quality\nA7,1999,3,12,ok\n")
    assert not problems.faults
    assert series.values[0, 0, 2] == 12.0


@pytest.mark.parametrize(
    ("unit", "stored", "is_mm"),
    [("cm", "3.5", 35.0), ("inch", "2", 50.8), ("mm/day", "2", 2.0 * 29), ("m", "0.1", 100)],
)
def test_units_are_applied_once_and_rates_become_depths(tmp_path, unit, stored, is_mm):
    series, problems = read(tmp_path, f"year,month,rain\n2004,2,{stored}\n", unit=unit)
    assert not problems.faults
    assert series.values[0, 0, 1] == pytest.approx(is_mm)


def test_kelvin_becomes_celsius(tmp_path):
    series, _ = read(tmp_path, "year,month,t\n2004,7,293.65\n", "temperature", "K", "t")
    assert series.values[0, 0, 6] == pytest.approx(20.5)


@pytest.mark.parametrize(
    ("text", "code", "says"),
    [
        ("year,month,rain\n2001,13,5\n", "E412", 'line 2: month "13"'),
        ("year,month,rain\n99,1,5\n", "E412", 'line 2: year "99"'),
        ("year,month,rain\n2001,1,NA\n", "E412", "line 2: rain"),
        ("year,month,rain\n2001,1,-9999\n", "E412", "line 2: rain -9999 cannot be"),
        ("year,month,rain\n2001,1,5\n2001,1,6\n", "E450", "line 3: repeats line 2"),
        ("year,month,rain\n2001,1,\n", "E450", "holds no value"),
        ("year,month,day,rain\n2001,1,5,6\n2001,1,6,7\n", "E411", "has days, and this quantity is read by month"),
        ("yaer,month,rain\n2001,1,5\n", "E411", '"yaer"'),
        ("year,month,wind\n2001,1,5\n", "E411", 'no column "rain". Fix: write as `name` one of: year, month, wind'),
        ("field_id,year,month,rain\n7,2001,1,5\n", "E413", 'line 2: there is no parcel "7"'),
    ],
)
def test_each_slip_has_its_line(tmp_path, text, code, says):
    series, problems = read(tmp_path, text)
    assert series is None
    assert code in [fault.code for fault in problems.faults]
    assert says in " ".join(map(str, problems.faults))


def test_a_night_that_no_month_has_is_refused(tmp_path):
    _, problems = read(tmp_path, "year,month,day,tmin\n2001,2,29,-7\n", "minimum", "degC", "tmin")
    assert "day" in str(problems.faults[0])
