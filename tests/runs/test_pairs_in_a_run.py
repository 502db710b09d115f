"""A run names truffle and host for every parcel: one species, several species, draws, wild ground."""

import numpy as np
import pandas as pd
import pytest

import underoak as uo

from noise import LEFT, TOP, noise_country


def country(folder, **changes):
    plan = noise_country(folder, 300, 320)
    plan["region"] = {"bounds": [LEFT, TOP - 9000, LEFT + 9600, TOP], "crs": "EPSG:25831", "cell": "30 m"}
    return plan | changes


def ran(plan, folder, out):
    return uo.run(uo.load_plan(plan, base=folder), out=folder / out)


def table_of(run, folder=""):
    return pd.read_csv(run.folder / folder / "parcels.csv", dtype={"id": str}).set_index("id").sort_index()


@pytest.fixture(scope="module")
def two(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pairs")
    plan = country(folder, species=["tuber_melanosporum", "tuber_magnatum"], hosts=["quercus_cerris", "populus_alba"])
    plan["criteria"] = {name: plan["criteria"][name] | {"weight": 1.0} for name in ("ph", "cover")}
    del plan["weights"]
    return ran(plan, folder, "two")


def test_every_parcel_of_one_species_names_its_best_hosts(tmp_path):
    plan = country(tmp_path, species=["tuber_melanosporum"], hosts=["quercus_cerris", "corylus_avellana"])
    table = table_of(ran(plan, tmp_path, "one"))
    fine = table["suitability"] >= 0.25
    assert (table.loc[fine, "best_host"] == "corylus_avellana").all()
    assert (table.loc[~fine, "best_host"] == "no pair").all()
    np.testing.assert_allclose(table.loc[fine, "pair"], table.loc[fine, "suitability"])
    second = table.loc[fine & (table["suitability"] * 0.8 >= 0.2501), "runner_up"]
    assert len(second)
    assert (second == "quercus_cerris").all()
    assert "best_species" not in table
    assert "p_pair" not in table


def test_land_that_an_essential_criterion_makes_n_gets_no_pair(tmp_path):
    plan = country(tmp_path, species=["tuber_melanosporum"], hosts=["corylus_avellana"])
    plan["criteria"]["height"] |= {"essential": True, "essential_source": "a test"}
    plan["criteria"]["height"]["curve"] = {"shape": "ramp_up", "at": [497, 520]}
    table = table_of(ran(plan, tmp_path, "essential"))
    barred = (table["class"] == "N") & (table["suitability"] > 0.26)
    assert barred.any()
    assert (table.loc[table["class"] == "N", "best_host"] == "no pair").all()
    assert (table.loc[table["class"].isin(["S1", "S2", "S3"]), "best_host"] == "corylus_avellana").any()


def test_several_species_are_joined_into_one_choice(two):
    joined = table_of(two)
    black, white = (table_of(two, name) for name in ("tuber_melanosporum", "tuber_magnatum"))
    worth = pd.DataFrame({
        "tuber_melanosporum": black["suitability"] * 0.8,  # its only host in the plan is a secondary one
        "tuber_magnatum": white["suitability"],
    })  # fmt: skip
    known = worth.max(axis=1) >= 0.25 + 1e-5
    assert known.any()
    assert (joined.loc[known, "best_species"] == worth.loc[known].idxmax(axis=1)).mean() > 0.9
    np.testing.assert_allclose(joined.loc[known, "pair"], worth.loc[known].max(axis=1), atol=2e-6)
    assert not joined["best_host"].str.contains("tuber_melanosporum with populus_alba").any()
    alone = joined[joined["best_species"] == "tuber_melanosporum"]
    assert (alone["best_host"] == "quercus_cerris").all()


def test_origins_are_told_where_the_truffle_is_brought_in(two):
    origins = table_of(two, "tuber_magnatum")["origin"].dropna()
    assert len(origins)
    assert origins.str.startswith("tuber_magnatum: introduced").all()  # the country lies in Catalonia


def test_the_report_says_what_to_plant(two):
    page = (two.folder / "tuber_magnatum" / "report.html").read_text(encoding="utf-8")
    assert "What to plant on the best" in page
    assert "white poplar" in page
    assert "Trees in rows" in page
    top = (two.folder / "report.html").read_text(encoding="utf-8")
    assert "Truffle and host" in top
    assert "Tuber magnatum with " in top


def test_without_a_species_nothing_is_said_of_hosts(tmp_path):
    run = ran(country(tmp_path), tmp_path, "none")
    assert "best_host" not in table_of(run)
    assert "What to plant" not in (run.folder / "report.html").read_text(encoding="utf-8")
