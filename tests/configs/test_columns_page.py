"""The page of columns explains every column that a run writes."""

import csv
import re
from pathlib import Path

import pyogrio
import pytest
import yaml

import underoak as uo

PAGE = (Path(__file__).parents[2] / "docs" / "columns.md").read_text(encoding="utf-8")


def is_explained(column):
    words = re.findall(r"`([a-z][\w<>]*)`", PAGE)
    return any(re.fullmatch(re.sub(r"<\w+>", r"[\\w-]+", word), column) for word in words)


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("columns")
    path = uo.shipped("configs", "plans", "demo.yaml")
    plan = yaml.safe_load(path.read_text(encoding="utf-8"))
    plan["region"]["cell"] = "240 m"
    plan["uncertainty"]["draws"] = 8
    plan["prices"] = {"soil_test": 200, "parcel_ha": 9000}
    one = uo.run(uo.load_plan(plan, base=path.parent), out=folder / "one").folder
    restored = uo.run(uo.load_plan(plan | {"purpose": "restore"}, base=path.parent), out=folder / "restored").folder
    del plan["weights"]
    plan["species"] = ["tuber_melanosporum", "tuber_aestivum"]
    plan["scenarios"] = [{"name": "dry", "replace": {"rain_summer": {"file": "../../sample_rasters/climate.nc"}}}]
    many = uo.run(uo.load_plan(plan, base=path.parent), out=folder / "many").folder
    return [one, restored, many]


def test_every_column_of_a_run_is_explained(runs):
    seen = set()
    for folder in runs:
        for file in folder.rglob("*.csv"):
            with file.open(encoding="utf-8", newline="") as stream:
                seen |= set(next(csv.reader(stream)))
        for file in folder.rglob("*.gpkg"):
            seen |= set(pyogrio.read_info(file)["fields"])
    assert len(seen) > 80
    assert {"test_pays", "native_range", "novel_share", "rank_tuber_aestivum_dry", "good_ha"} <= seen
    assert sorted(column for column in seen if not is_explained(column)) == []


def test_a_column_of_another_name_would_be_found():
    assert is_explained("value_ph")
    assert not is_explained("suitabilty")
