"""What people are told of a parcel or a zone: value, wish, side, remedy, amounts, source, grain, next step."""

from __future__ import annotations

import json
import re

import pytest
import rasterio
from click.testing import CliRunner
from rasterio.features import geometry_mask

import underoak as uo
from underoak.base.number_words import thousands
from underoak.cli import main
from underoak.places.answers.deal import Answer, Block, DealState
from underoak.places.answers.limits import Change, NoLimit, Side, change_of
from underoak.places.answers.needs import LabFinding, LimeBeyond, LimeNeed, NoHelp
from underoak.places.answers.not_judged import Cause, NotJudged
from underoak.places.answers.verdict import Verdict
from underoak.plan.keys.decision.deal import DealSpec
from underoak.report.terminal.table import ranking
from underoak.report.text.criterion_words import CHANGES, best_range, limiting, measure, value_and_best_range
from underoak.report.text.findings import CriterionWords
from underoak.report.text.verdicts.next_step import change_words, grouped, next_step, remedies_in_short

PH = CriterionWords("ph", "soil pH", 0.6, "soil_ph", "", "", True, "", "pH", 7.5, 8.3, "lime")
WATER = CriterionWords("water", "summer rain", 0.3, "rain", "", "", True, "", "mm", 145.0, None, "irrigation")
CLAY = CriterionWords("clay", "clay content", 0.1, "clay", "", "", False, "", "percent", None, 35.0)
ROCK = CriterionWords("rock", "rock", 0.1, "rock", "", "", False, "")
ALL = (PH, WATER, CLAY, ROCK)


def row(**more):
    """A parcel limited by an acid soil."""
    return {
        "id": "F1", "class": "S3", "reason": None, "excluded_share": 0.0, "limiting": ("ph",), "most_gainful": ("ph",),
        "membership_ph": 0.3, "membership_water": 1.0, "membership_clay": 1.0, "membership_rock": 1.0,
        "value_ph": 6.8, "value_water": 200.0, "value_clay": 20.0, "side_ph": Side.LOW, "side_water": None,
        "side_clay": None, "potential_class": "S3", "lime_t_ha": float("nan"), "water_mm": float("nan"),
    } | more  # fmt: skip


@pytest.mark.parametrize(
    ("criterion", "says"),
    [(PH, "7.5 to 8.3"), (WATER, "from 145 mm"), (CLAY, "up to 35 %"), (ROCK, "")],
)
def test_the_best_range_is_that_of_membership_1(criterion, says):
    assert best_range(criterion) == says


def test_a_limiting_factor_comes_with_value_unit_and_best_range():
    assert limiting(ALL, row()) == "soil pH 6.8, best 7.5 to 8.3"
    assert limiting(ALL, row(limiting=("water", "rock"), value_water=112.4)) == (
        "summer rain 112 mm, best from 145 mm; rock"
    )
    assert limiting(ALL, row(limiting=("water",), value_water=112.4), is_short=True) == "water 112, best from 145 mm"
    assert limiting(ALL, row(limiting=(NoLimit.NOTHING,))) == "nothing limits"
    assert limiting(ALL, row(limiting=None)) == "–"


def test_a_mean_within_the_best_range_says_that_a_part_is_not():
    assert value_and_best_range(PH, "ph", row(value_ph=7.6)) == "7.6, best 7.5 to 8.3; too low in part"
    assert value_and_best_range(PH, "ph", row(value_ph=7.6, side_ph=None)) == "7.6, best 7.5 to 8.3"
    assert measure(float("nan"), "mm") == "–"


@pytest.mark.parametrize(
    ("criterion", "side", "wild", "says"),
    [
        (PH, Side.LOW, False, "lime can raise it"),
        (PH, Side.HIGH, False, "cannot be changed"),
        (WATER, Side.LOW, False, "water can raise it"),
        (CLAY, Side.HIGH, False, "cannot be changed"),
        (PH, Side.LOW, True, "wild ground is not limed or watered"),
        (CLAY, Side.HIGH, True, "cannot be changed"),
    ],
)
def test_only_the_side_that_a_remedy_changes_is_offered(criterion, side, wild, says):
    assert CHANGES[change_of(criterion.by, side, wild)] == says


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"class": "S2"}, "Have the soil tested before you sign: pH in water, total and active carbonate, texture."),
        ({"class": "S1", "lab": (LabFinding("soil_ph", 7.8, 7.3, 7.7),)},
         "The lab result confirms it: check water, access and title before you sign."),
        (
            {"lime_t_ha": 20.0, "potential_class": "S1"},
            "Find out what lime would cost: that could make it S1.",
        ),
        (
            {"lime_t_ha": 20.0, "water_mm": 30.0, "potential_class": "S2"},
            "Find out what lime and water would cost and whether a right to water can be had: that could make it S2.",
        ),
        ({"remedies": (LimeBeyond(57.0, 40.0, 1.0),), "potential_class": "S3"},
         "Look elsewhere first: it would take more than 40 t/ha of lime."),
        ({"remedies": (NoHelp("lime", ("rock",)), LimeBeyond(45.0, 40.0, 0.26)), "membership_rock": 0.0},
         "Look elsewhere first: rock is the limit, and cannot be changed."),
        (
            {"water_mm": 30.0, "membership_clay": 0.1, "side_clay": Side.HIGH},
            "Look elsewhere first: even with water it stays S3; clay content is too high, and cannot be changed.",
        ),
        ({"side_ph": Side.HIGH}, "Look elsewhere first: soil pH is too high, and cannot be changed."),
        ({"membership_rock": 0.1}, "Look elsewhere first: rock is the limit, and cannot be changed."),
        ({"excluded_share": 0.8},
         "First look at what is left of it: most is excluded, and the score is that of the rest."),
        ({"reason": NotJudged(Cause.NO_DATA)}, "The maps have no data here: only a test on the site can tell."),
        ({"reason": NotJudged(Cause.MOSTLY_EXCLUDED, ("built",))},
         "Look elsewhere, or draw the outline of what is left of it and judge that."),
        ({"reason": NotJudged(Cause.ALL_EXCLUDED, ("built",))}, "Look elsewhere: all of this parcel is excluded."),
        ({"reason": NotJudged(Cause.NO_SHAPE, note="a Point")}, "Draw its outline: the file has none."),
    ],
)  # fmt: skip
def test_the_next_step_fits_the_parcel(more, says):
    assert next_step(ALL, "buy", row(**more)) == says


def test_questions_of_the_plans_own_are_named_in_its_words():
    deal = DealSpec.model_validate({"also": {"mines": {"about": "rights below the ground", "state": "unknown"}}})
    open_deal = {
        "verdict": Verdict.YES,
        "deal": DealState.UNKNOWN,
        "answer": Answer.NOT_YET,
        "deal_unknown": ("mines",),
    }
    assert next_step(ALL, "buy", row(**open_deal), deal).startswith("Settle the deal first: rights below the ground,")
    ended = {"deal": DealState.BLOCKS, "answer": Answer.NO, "deal_blocks": (Block("mines"),)}
    assert next_step(ALL, "buy", row(**ended), deal).endswith("what ends the deal: rights below the ground.")


def test_wild_ground_is_left_as_it_is():
    says = next_step(ALL, "restore", row())
    assert says == "Look elsewhere first: soil pH is too low, and wild ground is not limed or watered."


def test_a_sentence_that_many_parcels_share_stands_once():
    steps = [(f"F{i}", "Look.") for i in range(40)] + [("G", "Dig.")]
    look, dig = grouped(steps)
    assert look[0] == "Look."
    assert look[1].startswith("F0, F1, ")
    assert look[1].endswith(" and 10 more")
    assert dig == ("Dig.", "G")


def test_remedies_in_a_few_words():
    assert remedies_in_short(row(lime_t_ha=57.0, water_mm=45.2)) == "lime 57 t/ha, water 45 mm"
    assert remedies_in_short(row()) == ""


SOME = LimeNeed(22.0, 44.0, 30.0, 7.5, 0.2, 66.0)


@pytest.mark.parametrize(
    ("lime", "needs", "short", "explained"),
    [
        (22.0, (SOME,), "lime 22 t/ha", "lime can raise it"),
        (22.0, (SOME, LimeBeyond(57.0, 40.0, 0.8)), "lime 22 t/ha on 20 %, too much on the rest",
         "lime can raise it in part; the rest would take more than 40 t/ha of lime"),
        (22.0, (SOME, LimeBeyond(57.0, 40.0, 0.35)), "lime 22 t/ha on 20 %, too much on 35 %",
         "lime can raise it in part; the rest would take more than 40 t/ha of lime"),
        (0.0, (LimeBeyond(57.0, 40.0, 1.0),), "no lime: above 40 t/ha", "it would take more than 40 t/ha of lime"),
        (0.0, (NoHelp("lime", ("rock",)),), "no lime: rock stays 0", "lime would not help: rock stays at 0"),
        (0.0, (NoHelp("lime", ("rock", "clay")),), "no lime: rock, clay stay 0",
         "lime would not help: rock, clay content stay at 0"),
        (0.0, (NoHelp("lime"),), "no lime: hardly helps", "lime would hardly help"),
        (0.0, None, "", "lime would hardly help"),
    ],
)  # fmt: skip
def test_lime_that_is_not_counted_says_why(lime, needs, short, explained):
    limed = row(lime_t_ha=lime, remedies=needs)
    assert remedies_in_short(limed) == short
    assert change_words(Change.LIME, ALL, limed) == explained
    assert change_words(Change.NONE, ALL, limed) == "cannot be changed"


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    plan = uo.shipped("configs", "plans", "demo.yaml")
    return uo.run(uo.load_plan(plan), out=tmp_path_factory.mktemp("explained") / "out")


def test_an_explanation_holds_value_side_remedy_source_and_grain(demo):
    found = demo.parcels.set_index("id").loc["029"]
    text = demo.explain("029")
    flat = " ".join(text.split())
    # water counts only where its source is named, and the demo names none for this parcel
    with_lime = f"{found['with_lime_class']}, suitability {found['with_lime']:.2f}."
    assert f"Potential with the remedies that count: {with_lime}" in text
    assert re.search(rf"lime and water +{found['potential_class']} +{found['potential']:.2f} +\d.* not counted", text)
    assert re.search(r"soil pH in water +7\.\d +7\.5 to 8\.5 +0\.\d\d +0\.\d{3}", text)
    assert "soil pH in water is too low" in flat
    assert "lime can raise it" in flat
    assert "steepness of the ground is too high" in flat
    least, planned = (float(f"{value:.2g}") for value in (found.lime_t_ha, found.lime_plan_t_ha))
    assert found.lime_plan_t_ha == 2.0 * found.lime_t_ha  # 1 to 2 t/ha for a tenth: growers' pages of New Zealand
    assert f"at least {least:g} t/ha, plan with {planned:g} t/ha, to bring the top 30 cm to pH 7.5" in flat
    assert "lower bound" in flat
    assert "one to two years or more" in flat
    assert "Lime burns" in flat
    assert "soil_ph: one cell is 250 m wide, and this land is 1.1 of them" in text
    assert "r = 0.78" not in text  # sources of the curves, not of the weights
    assert "(grade A)" in flat
    assert "LIFE project page of Soria" in flat
    assert "A fence against deer and boar" in text
    assert max(map(len, text.splitlines())) <= 100


def test_the_text_and_the_columns_tell_the_same_amounts(demo):
    table = demo.parcels
    assert (table["potential"].dropna() >= table["suitability"].dropna() - 1e-12).all()
    limed = table[table["lime_t_ha"].notna()]
    assert len(limed) > 3
    for _, found in limed.iterrows():
        assert "lime, at least" in found["remedies"]
        assert found["lime_t_ha"] <= 40.0
    without = table[table["lime_t_ha"].isna()]
    assert not without["remedies"].fillna("").str.contains("lime, at least").any()
    # acid parcels, where lime would take more than counts, keep their class in the potential
    acid = without[without["remedies"].fillna("").str.contains("no lime: it would take")]
    assert len(acid)
    assert (acid["potential_class"] == acid["class"]).all()
    assert "it would take more than 40 t/ha of lime" in " ".join(demo.explain(acid["id"].iloc[0]).split())


def test_a_zone_is_explained_by_what_its_cells_hold(demo):
    text = demo.explain_zone("1")
    zone = demo.zones.iloc[0]
    assert text == demo.explain_zone(zone["id"])
    assert f"Zone {zone['id']}: rank 1 of {len(demo.zones)}, suitability {zone['suitability']:.2f}." in text
    with rasterio.open(demo.folder / "memberships.tif") as source:
        inside = geometry_mask([zone.geometry], source.shape, source.transform, invert=True)
        codes = source.read()
    means = [float(band[inside & (band <= 250)].mean()) / 250.0 for band in codes]
    assert inside.sum() == zone["cells"]
    for criterion, mean in zip(demo.manifest.cases[0].criteria, means, strict=True):
        told = re.search(rf"{re.escape(criterion.label)} +(\d\.\d\d) ", text)
        assert float(told[1]) == pytest.approx(mean, abs=0.0051)


@pytest.mark.parametrize("name", ["0", "999", "z0-0"])
def test_a_zone_that_is_not_there_is_told(demo, name):
    with pytest.raises(uo.UnderoakError, match=f'E604 no zone of this run has the rank or the id "{name}"'):
        demo.explain_zone(name)


def test_the_command_line_explains_one_thing_at_a_time(demo):
    told = CliRunner().invoke(main, ["explain", str(demo.folder), "--zone", "1"])
    assert told.exit_code == 0
    assert told.output == demo.explain_zone("1") + "\n"
    for words in ([], ["--zone", "1", "--parcel", "007"]):
        assert CliRunner().invoke(main, ["explain", str(demo.folder), *words]).exit_code == 2


def test_the_table_fits_a_narrow_and_a_wide_terminal(demo):
    for width in (80, 118):
        text = ranking(demo.findings[0], width=width)
        assert max(map(len, text.splitlines())) <= width
        assert "ph 7.0, best 7.5 to 8.5" in text
        assert ("lime 28 t/ha" in text) is (width == 118)
        errors = text[text.index("Assumed, because") : text.index(f"{len(demo.zones)} zones")].split()
        assert " ".join(errors) == (
            "Assumed, because the plan states no error: slope ± 3° (common practice, no source); northness ± 0.25 "
            "(worked out from the slope's)."
        )
        lines = text[: text.index("S1 highly")].rstrip().splitlines()[3:]
        is_parcel = [re.match(r" +(\d+|–)  \w", line) is not None for line in lines]
        assert sum(is_parcel) == 40
        more = {sum(is_parcel[: i + 1]) for i, is_first in enumerate(is_parcel) if not is_first}
        assert len(more) <= 6  # parcels that take more than one line
    widest = ranking(demo.findings[0], width=140)
    (line,) = [line for line in widest.splitlines() if re.match(r" +\d+  007 ", line)]
    row = demo.findings[0].parcels.set_index("id").loc["007"]
    assert f" {row['usable_ha']:.1f}  {thousands(int(row['trees']))} " in line
    assert "ha: usable hectares. trees: those that fit there." in " ".join(widest.split())


def test_the_page_tells_potential_and_amounts_and_each_next_step_once(demo):
    page = (demo.folder / "report.html").read_text(encoding="utf-8")
    assert page.count("Have the soil tested before you sign") <= 2  # the card and the list
    assert "What it would take" in page
    assert "lime, at least 14 t/ha" in page
    assert "if too low" not in page


def test_a_run_of_an_older_build_is_refused_not_misread(tmp_path, demo):
    content = json.loads((demo.folder / "run.json").read_text(encoding="utf-8"))
    del content["views"]
    (tmp_path / "run.json").write_text(json.dumps(content), encoding="utf-8")
    for words in (["explain", str(tmp_path), "--parcel", "007"], ["compare", str(tmp_path), str(demo.folder)]):
        told = CliRunner().invoke(main, words)
        assert told.exit_code == 6
        assert told.output.startswith("E603")
        assert "older build" in told.output


def test_a_run_is_short_in_a_notebook(demo):
    assert repr(demo) == f"<Run of 'Forty parcels in Querna, black truffle' in '{demo.folder}'>"


@pytest.mark.parametrize(
    ("id", "says", "fix"),
    [
        ("7", 'no parcel of this run has the id "7"', 'did you mean "007"?'),
        ("meadow", 'no parcel of this run has the id "meadow"', 'choose an id from parcels.csv, such as "1e3"'),
    ],
)
def test_a_parcel_that_is_not_there_is_told_with_ids_that_are(demo, id, says, fix):
    for asked in (demo.explain, lambda id: demo.sample(id, 3)):
        with pytest.raises(uo.UnderoakError) as caught:
            asked(id)
        assert (caught.value.faults[0].what, caught.value.faults[0].fix) == (says, fix)


def test_the_table_says_why_a_parcel_stands_below_others_of_its_score(demo):
    lines = ranking(demo.findings[0]).splitlines()
    start = next(n for n, line in enumerate(lines) if re.match(r" +\d+  038 ", line))
    built = " ".join(" ".join(lines[start : start + 4]).split())
    assert "part only: 0.55" in built
    assert re.search(r"81 % .*excluded, ranks as 0\.16; held by water", built)
    for id, why in (("034", "too little usable"), ("033", "no tree fits")):
        (line,) = [line for line in lines if re.match(rf" +\d+  {id} ", line)]
        assert why in line
        assert "do not buy" in line
    legend = "S1 highly, S2 moderately, S3 marginally, N not suitable. P(S2+): probability of S2 or better."
    assert any(line.startswith(legend) for line in lines)


def test_the_page_tells_of_excluded_and_blank_ground_where_there_is_some(demo):
    text = (demo.folder / "report.html").read_text(encoding="utf-8")
    assert '<td class="score">2.9 ha<br>81 % excluded<br>0.55 ha usable</td>' in text  # 038
    assert '<td class="score">6.7 ha</td>' in text  # 007
    assert "<br>0 % excluded" not in text


def test_water_that_would_not_help_is_not_said_to_be_missing():
    assert remedies_in_short(row(lime_t_ha=0.0, remedies=(NoHelp("water", ("clay",)),))) == "no watering: clay stays 0"


def test_other_species_are_judged_by_the_means_of_the_parcel(demo):
    row, case = demo.parcels.set_index("id").loc["026"], demo.manifest.cases[0]
    figures = {
        each.layer: f"{row[f'value_{each.name}']:.6g} {'' if each.unit == '1' else each.unit}".strip()
        for each in case.criteria
    }
    text = " ".join(demo.explain("026").split()).partition("What may come instead")[2].partition("Break-even")[0]
    told = dict(re.findall(r"- Tuber (\w+) \([^)]*\): S[12], suitability (\d\.\d+)", text))
    assert told
    assert "melanosporum" not in told
    spots = {spot.species: spot for spot in uo.judge_all(figures)}
    for name, suitability in told.items():
        assert spots[f"tuber_{name}"].suitability == pytest.approx(float(suitability), abs=0.0051)
