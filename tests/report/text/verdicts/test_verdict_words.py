"""The verdict where people read: answer first, its doubt, and what to do; none without doubt in the plan."""

from __future__ import annotations

import html
import re

import pandas as pd
import pytest
import yaml

import underoak as uo
from underoak.base.number_words import figure, money, thousands
from underoak.places.answers.verdict import DecidedBy, Verdict
from underoak.plan import shipped
from underoak.report import ranking
from underoak.report.text.decision.deal_words import answer_words

from noise import LEFT, TOP, noise_country


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The demo, in which what it looks at is enough for a yes."""
    path = shipped("configs", "plans", "demo.yaml")
    plan = yaml.safe_load(path.read_text(encoding="utf-8"))
    plan["verdict"]["judged_at"] = 0.25
    plan["prices"] = {"soil_test": 70, "parcel_ha": 9000, "currency": "EUR"}
    return uo.run(uo.load_plan(plan, base=path.parent), out=tmp_path_factory.mktemp("verdict") / "out")


def words_of(run):
    text = (run.folder / "report.html").read_text(encoding="utf-8")
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).split())


def test_the_page_answers_first(demo):
    best, text = demo.findings[0].parcels.iloc[0], words_of(demo)
    answer = f"{best['id']}: {answer_words(best['answer'], 'buy')}. {best['class']}, "
    answer += f"suitability {best['suitability']:.2f}; "
    answer += f"P(S2 or better) {best['p_s2']:.2f}"
    uncertainty = f"a test would change the verdict with a probability of {best['flip_chance']:.2f}"
    assert (
        text.index(answer)
        < text.index(uncertainty)
        < text.index(f"Next, for {best['id']}")
        < text.index("What limits it")
    )
    assert "do not include the errors" not in text
    # the demo states no error of its heights: those of slope and northness are assumed, and named with their source
    assert "Steepness of the ground (slope): assumed ± 3°" in text
    assert "(northness): assumed ± 0.25" in text


def test_every_judged_parcel_has_a_verdict_and_no_other_has(demo):
    table = demo.findings[0].parcels
    judged = table["rank"].notna()
    assert table.loc[judged, "verdict"].isin(list(Verdict)).all()
    assert table.loc[~judged, ["verdict", "verdict_reason", "best_test", "first_share"]].isna().all().all()
    assert set(table.loc[judged, "verdict"]) >= {Verdict.YES, Verdict.NO, Verdict.TEST_FIRST}
    sure = table["verdict"] == Verdict.YES
    assert (table.loc[sure, "p_s2"] >= 0.8).all()
    greatest = [max((test.flip_chance for test in tests), default=0) for tests in table.loc[sure, "tests"].dropna()]
    assert max(greatest) < 0.2
    small = table["too_small"].notna()
    assert small.any()
    assert (table.loc[small, "verdict"] == Verdict.NO).all()
    assert table.loc[small, "rank"].min() > table.loc[judged & ~small, "rank"].max()
    assert table.loc[judged, "first_share"].sum() == pytest.approx(1.0)
    assert table.loc[small, "first_share"].isna().all()  # nobody would choose them


def test_ranks_of_the_run_are_written_and_listed(demo):
    ranks = pd.read_csv(demo.folder / "ranks.csv", dtype={"id": str}).set_index("id")
    table = demo.findings[0].parcels.set_index("id")
    assert ranks["rank_1"].to_numpy() == pytest.approx(table.loc[ranks.index, "first_share"].to_numpy(float), abs=1e-6)
    assert "ranks.csv" in {file.path for file in demo.manifest.outputs}


def test_an_explanation_says_verdict_chance_test_and_grain(demo):
    table = demo.findings[0].parcels
    row = table[(table["verdict"] == Verdict.TEST_FIRST) & (table["best_test"] == "soil_ph")].iloc[0]
    text = " ".join(demo.explain(row["id"]).split())
    assert text.startswith(f"Parcel {row['id']}: TEST FIRST. P(S2 or better) {row['p_s2']:.2f} (")
    assert f"suitability {row['low']:.2f} to {row['high']:.2f} in nine draws of ten" in text
    greatest = max(row["tests"], key=lambda test: test.flip_chance)
    assert f"one test of {greatest.layer} would turn the answer with a chance of {greatest.flip_chance:.2f}" in text
    doubt = row["tests"][0].worth_error
    about = figure(row["worth"], doubt)
    assert f"Soil tests, by worth: soil_ph, worth about {about} of suitability, changes the verdict" in text
    loss = money(row["test_pays_above"], "EUR", row["test_pays_above"] * doubt / row["worth"])
    assert f"A test of soil_ph pays if a wrong purchase costs you more than about {loss}" in text
    assert f"At your price of land the parcel costs {money(9000 * row['area_ha'], 'EUR')}." in text
    assert f"Usable: all {row['area_ha']:.1f} ha; {thousands(int(row['trees']))} trees fit." in text
    assert "Looked at: 0." in text
    assert "soil_ph: one cell is 250 m wide" in text
    assert "Next: Have soil pH in water tested before you sign" in text


def test_beside_a_yes_stands_what_no_map_can_see(demo):
    row = demo.findings[0].parcels.query("verdict == 'yes'").iloc[0]
    unseen = "No map can see the right to water"
    assert unseen in " ".join(demo.explain(row["id"]).split())
    assert unseen in words_of(demo)
    assert unseen in " ".join(ranking(demo.findings[0]).split())
    other = demo.findings[0].parcels.query("verdict != 'yes'").iloc[0]
    assert unseen not in " ".join(demo.explain(other["id"]).split())


def test_a_plan_that_looks_at_too_little_gives_no_yes_and_names_the_heaviest(demo, tmp_path):
    path = shipped("configs", "plans", "demo.yaml")
    plan = yaml.safe_load(path.read_text(encoding="utf-8"))
    plan["region"]["cell"], plan["uncertainty"]["draws"], plan["verdict"]["judged_at"] = "120 m", 16, 0.99
    run = uo.run(uo.load_plan(plan, base=path.parent), out=tmp_path)
    table, part = run.findings[0].parcels, run.findings[0].plan.looked_at
    looked = table[table["decided_by"] == DecidedBy.LOOK_FIRST]
    assert len(looked)
    assert (looked["verdict"] == Verdict.TEST_FIRST).all()
    assert not (table["verdict"] == Verdict.YES).any()
    assert run.manifest.cases[0].looked_at == part
    assert table["judged_weight"].dropna().tolist() == [part.judged_weight] * int(table["rank"].notna().sum())
    best = looked.iloc[0]
    says = f"Looked at: {part.judged_weight:.2f} of the profile's weight, less than the 0.99 that a yes takes. "
    says += f"Not looked at: {part.missing[0].label} {part.missing[0].weight:.2f}"
    explained = " ".join(run.explain(best["id"]).split())
    for text in (explained, words_of(run), " ".join(ranking(run.findings[0]).split())):
        assert says in text
    assert f"look first: add {part.missing[0].layer}" in explained
    assert f"Next: Look first: add {part.missing[0].layer}" in explained
    assert "No map can see" not in explained


def test_the_terminal_shows_chance_and_verdict_within_80_columns(demo):
    text = ranking(demo.findings[0], width=80)
    row = demo.findings[0].parcels.iloc[0]
    line = next(line for line in text.splitlines() if str(row["id"]) in line)
    assert f"{row['p_s2']:.2f}" in line
    assert answer_words(row["answer"], "buy") in line
    assert max(map(len, text.splitlines())) <= 80


def test_without_doubt_there_is_no_verdict_and_the_page_says_how_to_get_one(tmp_path):
    plan = noise_country(tmp_path, 120, 120)
    plan |= {"region": {"bounds": [LEFT, TOP - 3000, LEFT + 3000, TOP], "crs": "EPSG:25831", "cell": "30 m"}}
    run = uo.run(uo.load_plan(plan, base=tmp_path), out=tmp_path / "out")
    assert "verdict" not in run.findings[0].parcels
    text = words_of(run)
    assert (
        "So there is no verdict: to get one, give layers `quantiles` or `sd` and add `uncertainty` to the plan." in text
    )
    assert "P(S2" not in text
    assert "verdict" not in ranking(run.findings[0])
