"""The files of parcels and zones: same bytes, whole or not there, safe in a spreadsheet."""

from __future__ import annotations

import csv
import errno
import io
import locale
import os

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
from shapely import MultiPolygon, box

from underoak.base.errors import UnderoakError
from underoak.places.answers.not_judged import Cause, NotJudged
from underoak.places.columns.parcels import PARCELS
from underoak.places.geometry import output_files
from underoak.places.geometry.output_files import csv_text, write_parcels, write_zones
from underoak.places.geometry.parcel_shapes import Parcels

CRS = "EPSG:25831"
TABLE = pd.DataFrame(
    {
        "id": pd.Series(["b", "007", "é;\n"], dtype=object),
        "rank": pd.array([1, 2, None], dtype="Int64"),
        "suitability": [0.75, 1 / 3, np.nan],
        "class": pd.Series(["S1", "S3", None], dtype=object),
        "reason": pd.Series([None, None, NotJudged(Cause.NO_SHAPE)], dtype=object),
    }
)


def parcels():
    shapes = np.empty(3, object)
    shapes[:] = [box(0, 0, 10, 10), None, MultiPolygon([box(20, 0, 30, 10), box(40, 0, 50, 10)])]
    return Parcels(("007", "é;\n", "b"), shapes, CRS, np.array([0.01, np.nan, 0.02]), ("", "", ""))


def zones():
    return gpd.GeoDataFrame({"id": ["z1-2"], "rank": [1], "area_ha": [1.5]}, geometry=[box(0, 0, 9, 9)], crs=CRS)


def test_the_table_and_its_shapes_come_back(tmp_path):
    paths = write_parcels(tmp_path, TABLE, parcels(), PARCELS)
    assert [path.name for path in paths] == ["parcels.gpkg", "parcels.csv"]
    back = gpd.read_file(tmp_path / "parcels.gpkg")
    assert back["id"].tolist() == ["b", "007", "é;\n"]
    assert back.geometry.area.tolist()[:2] == [200.0, 100.0]
    assert back.geometry[2] is None
    assert back["suitability"].tolist()[:2] == [0.75, 1 / 3]
    assert back["rank"].isna().tolist() == [False, False, True]
    assert back.crs == CRS
    assert set(back.geom_type.dropna()) == {"MultiPolygon"}


def test_writing_twice_gives_the_same_bytes(tmp_path, monkeypatch):
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    made = []
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        write_parcels(tmp_path / name, TABLE, parcels(), PARCELS)
        write_zones(tmp_path / name, zones())
        write_zones(tmp_path / name, zones())  # over what is there
        made.append({path.name: path.read_bytes() for path in (tmp_path / name).iterdir()})
    assert made[0] == made[1]
    assert sorted(made[0]) == ["parcels.csv", "parcels.gpkg", "zones.gpkg"]


def test_the_stamp_of_the_process_is_put_back(tmp_path):
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2020-02-02T00:00:00Z"})
    try:
        write_zones(tmp_path, zones())
        assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") == "2020-02-02T00:00:00Z"
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
    write_zones(tmp_path, zones())
    assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") is None


def test_csv_is_utf_8_with_points_and_line_feeds(tmp_path):
    write_parcels(tmp_path, TABLE, parcels(), PARCELS)
    data = (tmp_path / "parcels.csv").read_bytes()
    assert data.decode("utf-8") == (
        'id,rank,suitability,class,reason\nb,1,0.750000,S1,\n007,2,0.333333,S3,\n"é;\n",,,,no shape\n'
    )
    assert b"\r" not in data


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n", "\0"])
def test_text_that_a_spreadsheet_would_run_is_quoted(start):
    table = pd.DataFrame({"id": [f"{start}1+1"], "gain": [-3.2], f"{start}name": [-7]})
    header, row = csv.reader(io.StringIO(csv_text(table), newline=""))
    assert header == ["id", "gain", f"'{start}name"]
    assert row == [f"'{start}1+1", "-3.200000", "-7"]


@pytest.mark.parametrize("text", ["1=1", "a+b", "'x", " =1", "007", 'say "so"', "a,b", "two\nlines", "two\rlines", "é"])
def test_other_text_comes_back_as_it_was(text):
    made = csv_text(pd.DataFrame({"id": [text], "next": ["x"]}))
    assert list(csv.reader(io.StringIO(made, newline=""))) == [["id", "next"], [text, "x"]]


def test_a_long_table_is_written_in_parts_that_nobody_sees(tmp_path):
    times = 50_000 // len(TABLE)
    long = pd.concat([TABLE] * times, ignore_index=True)
    header, _, rows = csv_text(TABLE).partition("\n")
    output_files.write_csv(tmp_path / "long.csv", long)
    assert (tmp_path / "long.csv").read_bytes() == (header + "\n" + rows * times).encode()
    assert csv_text(long.iloc[:0]) == "id,rank,suitability,class,reason\n"


def test_no_number_is_written_as_minus_nothing():
    assert csv_text(pd.DataFrame({"gain": [-1e-12, -0.0, 1e9]})) == "gain\n0.000000\n0.000000\n1000000000.000000\n"


def test_a_locale_changes_nothing():
    expected = csv_text(TABLE)
    for name in ("de_DE.UTF-8", "fr_FR.UTF-8", "tr_TR.UTF-8", "C.UTF-8"):
        try:
            locale.setlocale(locale.LC_ALL, name)
        except locale.Error:
            continue
        try:
            assert csv_text(TABLE) == expected
        finally:
            locale.setlocale(locale.LC_ALL, "C")


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_failed_write_leaves_the_old_file_and_nothing_else(tmp_path, monkeypatch, step):
    write_zones(tmp_path, zones())
    before = (tmp_path / "zones.gpkg").read_bytes()

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(output_files.os, step, full)
    with pytest.raises(UnderoakError) as caught:
        write_zones(tmp_path, zones().assign(area_ha=9.0))
    assert caught.value.faults[0].code == "E501"
    assert [path.name for path in tmp_path.iterdir()] == ["zones.gpkg"]
    assert (tmp_path / "zones.gpkg").read_bytes() == before


def test_a_folder_that_is_not_there_is_a_fault(tmp_path):
    with pytest.raises(UnderoakError) as caught:
        write_parcels(tmp_path / "nowhere", TABLE, parcels(), PARCELS)
    assert caught.value.faults[0].code == "E502"
    assert not os.listdir(tmp_path)


def test_empty_zones_are_a_file_too(tmp_path):
    empty = zones().iloc[:0]
    assert len(gpd.read_file(write_zones(tmp_path, empty))) == 0
