"""The verdict where people read: answer first, its doubt, and what to do; none without doubt in the plan."""

from __future__ import annotations

import re

import pandas as pd
import pytest

import underoak as uo
from underoak.places.answers.verdict import Verdict
from underoak.plan import shipped
from underoak.report import ranking
from underoak.report.text.verdict_words import answer_words

from noise import LEFT, TOP, noise_country


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    plan = uo.load_plan(shipped("configs", "plans", "demo.yaml"))
    return uo.run(plan, out=tmp_path_factory.mktemp("verdict") / "out")


def words_of(run):
    text = (run.folder / "report.html").read_text(encoding="utf-8")
    return " ".join(re.sub(r"<[^>]+>", " ", text).split())


def test_the_page_answers_first(demo):
    best, text = demo.findings[0].parcels.iloc[0], words_of(demo)
    answer = f"{best['id']}: {answer_words(best['verdict'], 'buy')}. {best['class']}, "
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
    assert table["verdict"].nunique() == 3  # the demo shows all of them
    sure = table["verdict"] == Verdict.YES
    assert (table.loc[sure, "p_s2"] >= 0.8).all()
    assert not (table.loc[sure, "flip_chance"] >= 0.2).any()
    assert table.loc[judged, "first_share"].sum() == pytest.approx(1.0)


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
    assert f"one test of soil_ph would turn the answer with a chance of {row['flip_chance']:.2f}" in text
    assert f"A test of soil_ph is worth {row['worth']:.3f} of suitability." in text
    assert "soil_ph: one cell is 250 m wide" in text
    assert "Next: Have soil pH in water tested before you sign" in text


def test_the_terminal_shows_chance_and_verdict_within_80_columns(demo):
    text = ranking(demo.findings[0], width=80)
    row = demo.findings[0].parcels.iloc[0]
    line = next(line for line in text.splitlines() if str(row["id"]) in line)
    assert f"{row['p_s2']:.2f}" in line
    assert answer_words(row["verdict"], "buy") in line
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
