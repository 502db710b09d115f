"""The page of columns shows what is declared, and runs write it. Run this file to write its tables anew."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pyogrio
import pytest
import yaml

import underoak as uo
from underoak.places.columns.column import Column, arrange, column_of, docs_table
from underoak.places.columns.deal import DEAL_ROWS
from underoak.places.columns.parcels import JOINED_PARCELS, PARCELS
from underoak.places.columns.ranks import RANKS, WINS
from underoak.places.columns.scenarios import SCENARIOS
from underoak.places.columns.zones import ZONES

PAGE = Path(__file__).parents[2] / "docs" / "columns.md"
TABLES: dict[str, tuple[Column, ...]] = {
    "`parcels.csv`, `parcels.gpkg`": PARCELS,
    "`parcels.csv`, `parcels.gpkg` on top of several cases": JOINED_PARCELS,
    "`deal.csv`": DEAL_ROWS,
    "`zones.gpkg`": ZONES,
    "`ranks.csv`": RANKS,
    "`wins.csv`": WINS,
    "`futures.csv`": SCENARIOS,
}


def declared(file: Path, top: Path) -> tuple[Column, ...]:
    """The columns of a file of a run."""
    if file.stem == "parcels":
        return JOINED_PARCELS if top.name == "many" and file.parent == top else PARCELS
    return {"deal": DEAL_ROWS, "zones": ZONES, "ranks": RANKS, "wins": WINS, "futures": SCENARIOS}[file.stem]


def section(head: str) -> list[str]:
    """The lines of the table under a head of the page."""
    text = PAGE.read_text(encoding="utf-8").partition(f"## {head}\n")[2].partition("\n## ")[0]
    return [line for line in text.splitlines() if line.startswith("|")]


@pytest.mark.parametrize("head", TABLES)
def test_the_page_has_every_column_as_it_is_declared(head):
    assert section(head) == docs_table(TABLES[head])


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("columns")
    path = uo.shipped("configs", "plans", "demo.yaml")
    plan = yaml.safe_load(path.read_text(encoding="utf-8"))
    plan["region"]["cell"] = "240 m"
    plan["uncertainty"]["draws"] = 8
    plan["prices"] = {"soil_test": 200, "parcel_ha": 9000}
    one = uo.run(uo.load_plan(plan, base=path.parent), out=folder / "one").folder
    wild = {key: part for key, part in plan.items() if key != "costs"} | {"purpose": "restore"}
    restored = uo.run(uo.load_plan(wild, base=path.parent), out=folder / "restored").folder
    del plan["weights"]
    plan["species"] = ["tuber_melanosporum", "tuber_aestivum"]
    plan["scenarios"] = [{"name": "dry", "replace": {"rain_summer": {"file": "../../sample_rasters/climate.nc"}}}]
    many = uo.run(uo.load_plan(plan, base=path.parent), out=folder / "many").folder
    return [one, restored, many]


def test_every_column_of_a_run_is_declared_and_stands_in_its_place(runs):
    import pandas as pd

    seen = set()
    for top in runs:
        for file in [*top.rglob("*.csv"), *top.rglob("*.gpkg")]:
            if file.suffix == ".csv":
                with file.open(encoding="utf-8", newline="") as stream:
                    names = next(csv.reader(stream))
            else:
                names = list(pyogrio.read_info(file)["fields"])
            assert list(arrange(pd.DataFrame(columns=names), declared(file, top)).columns) == names, file
            seen |= set(names)
    assert len(seen) > 80
    assert {"test_pays_above", "native_range", "novel_share", "rank_tuber_aestivum_dry", "good_ha"} <= seen


def test_a_geopackage_has_the_declared_types_and_no_gap_where_none_is_declared(runs):
    kinds = {"text": "O", "integer": "i", "number": "f"}
    for top in runs:
        for file in top.rglob("*.gpkg"):
            frame = pyogrio.read_dataframe(file, read_geometry=False)
            info = pyogrio.read_info(file)
            for name, kind in zip(info["fields"], info["dtypes"], strict=True):
                column = column_of(declared(file, top), name)
                assert re.sub(r"\d+", "", kind)[0].replace("o", "O") == kinds[column.kind], (file, name)
                assert column.is_nullable or frame[name].notna().all(), (file, name)


if __name__ == "__main__":
    text = PAGE.read_text(encoding="utf-8")
    for head, columns in TABLES.items():
        start = text.index("|", text.index(f"## {head}\n"))
        end = start + len("\n".join(section(head)))
        text = text[:start] + "\n".join(docs_table(columns)) + text[end:]
    PAGE.write_text(text, encoding="utf-8")
