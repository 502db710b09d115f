"""What P is not: counts of orchards that bore, with source and year, once on each screen."""

from __future__ import annotations

import re

import pytest

import underoak as uo
from underoak.decision.reference.cohorts import cohorts
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.report import ranking
from underoak.report.text.decision.cohort_words import what_p_is_not

from noise import small_country

NOT_A_CROP = "It is not the chance of a crop"


def spec(**more):
    return PlanSpec.model_validate(
        {
            "format": 1, "title": "t", "purpose": "buy",
            "region": {"bounds": [0, 0, 9, 9], "crs": "EPSG:3857", "cell": "1 m"},
            "layers": {"soil_ph": {"file": "a.tif"}}, "parcels": {"file": "a.gpkg", "id": "id"},
        } | more
    )  # fmt: skip


def test_every_cohort_says_source_year_age_and_how_it_is_known():
    for cohort in cohorts():
        assert all((cohort.source, cohort.age))
        assert cohort.grade == "read"  # heads of pages and abstracts
        assert re.fullmatch(r"\d{4}|not stated", cohort.year)
    # Sydney Morning Herald 2013; Rural Delivery 2006; growers of Chile 2018: as noted from the heads of their pages
    known = {(each.name, each.year): (each.bearing, each.size) for each in cohorts() if each.is_in_short}
    assert known == {
        ("Australia", "2012"): (0.10, 160), ("New Zealand", "2006"): (0.09, 100), ("Chile", "2018"): (0.15, 450),
    }  # fmt: skip


def test_the_sentence_says_what_p_is_and_what_it_is_not():
    text = what_p_is_not(spec(), 0.97)
    assert text.startswith("0.97: the maps leave little doubt that the ground is S2 or better. " + NOT_A_CROP)
    assert "at most 15 % of growers, orchards or hectares bore, many of them young (Australia 2012" in text
    assert "little doubt" not in what_p_is_not(spec(), 0.5)
    own = {"name": "Our valley", "year": "2024", "counted": "hectares", "bearing": 0.22, "source": "co-operative"}
    assert what_p_is_not(spec(cohorts=[own])).endswith("Our valley 2024: 22 % of hectares bore (co-operative).")


def test_wild_ground_has_no_crop_and_no_counts_of_orchards():
    text = what_p_is_not(spec(purpose="restore", zones={}, species=["tuber_magnatum"]))
    assert text.endswith("It is not the chance that truffles fruit there.")


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    folder = tmp_path_factory.mktemp("cohorts")
    plan = small_country(folder, parcels=60) | {"uncertainty": {"draws": 8}}
    plan["layers"]["soil_ph"]["sd"] = "0.1 pH"
    return uo.run(uo.load_plan(plan, base=folder), out=folder / "out")


def test_each_screen_says_it_once(run):
    best = run.parcels.iloc[0]["id"]
    page = (run.folder / "report.html").read_text(encoding="utf-8")
    for text in (ranking(run.findings[0]), run.explain(best), run.field_sheet(best), page):
        assert " ".join(text.split()).count(NOT_A_CROP) == 1
    explained = " ".join(run.explain(best).split())
    assert explained.index("P(S2 or better)") < explained.index(NOT_A_CROP) < explained.index("Why:")


def test_a_run_without_draws_has_no_p_and_says_nothing_of_it(tmp_path):
    bare = uo.run(uo.load_plan(small_country(tmp_path, parcels=60), base=tmp_path), out=tmp_path / "out")
    assert NOT_A_CROP not in ranking(bare.findings[0])
