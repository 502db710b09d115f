"""Rules of the user's own: applied to figures of a parcel, dated, and never run as code."""

from __future__ import annotations

import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

import underoak as uo
from underoak.base.errors import Problems
from underoak.decision.rules.evaluation import apply_rule
from underoak.decision.rules.reading import read_rules
from underoak.places.answers.rules import RuleState
from underoak.plan.keys.decision.rules import RuleSpec
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.report.text.decision.rule_words import rule_lines

from noise import small_country

TODAY = datetime.date(2026, 6, 1)
HEAD = "rule,field,comparison,threshold,amount,per,up_to,ceiling,source,date\n"


def spec(**more):
    return PlanSpec.model_validate(
        {
            "format": 1, "title": "t", "purpose": "buy", "prices": {"currency": "CHF"}, "species": ["tuber_borchii"],
            "region": {"bounds": [0, 0, 9, 9], "crs": "EPSG:3857", "cell": "1 m"},
            "layers": {"soil_ph": {"file": "a.tif"}}, "parcels": {"file": "a.gpkg", "id": "id"},
        } | more
    )  # fmt: skip


def rule(*conditions, **more):
    when = [dict(zip(("field", "comparison", "threshold"), each, strict=True)) for each in conditions]
    return RuleSpec.model_validate({"rule": "aid", "when": when, "source": "office", "date": "2026-01-05"} | more)


@given(st.floats(0, 1e4), st.floats(0, 1e4), st.sampled_from(["<", "<=", ">", ">=", "="]))
def test_a_comparison_is_that_of_arithmetic(figure, threshold, comparison):
    applied = apply_rule(rule(("usable_ha", comparison, threshold)), {"usable_ha": figure}, spec())
    is_equal = abs(figure - threshold) <= 1e-6
    met = {
        "<": figure < threshold and not is_equal, "<=": figure < threshold or is_equal,
        ">": figure > threshold and not is_equal, ">=": figure > threshold or is_equal, "=": is_equal,
    }[comparison]  # fmt: skip
    assert (applied.state is RuleState.MET) == met


@given(st.lists(st.sampled_from([True, False, None]), min_size=1, max_size=6))
def test_what_is_not_known_is_never_met(states):
    figures = {True: 5.0, False: 1.0, None: float("nan")}
    row = {f"value_c{n}": figures[state] for n, state in enumerate(states)}
    applied = apply_rule(rule(*((f"c{n}", ">", 3) for n in range(len(states))), amount=10), row, spec())
    met = RuleState.NOT_MET if False in states else RuleState.UNKNOWN if None in states else RuleState.MET
    assert applied.state is met
    assert applied.amount == (10.0 if all(states) else None)


@pytest.mark.parametrize(
    ("more", "amount"),
    [
        ({"amount": 7, "per": "tree"}, 3150.0), ({"amount": 7, "per": "tree", "up_to": 400}, 2800.0),
        ({"amount": 7, "per": "tree", "ceiling": 3000}, 3000.0), ({"amount": -120, "per": "ha"}, -180.0),
        ({"amount": -120, "per": "ha", "ceiling": 100}, -100.0), ({"amount": 90}, 90.0), ({}, None),
    ],
)  # fmt: skip
def test_an_amount_is_counted_on_trees_hectares_or_the_parcel(more, amount):
    row = {"trees": 450, "usable_ha": 1.5, "area_ha": 2.0}
    assert apply_rule(rule(("trees", ">=", 80), **more), row, spec()).amount == amount
    assert apply_rule(rule(("trees_per_ha", "=", 300), **more), row, spec()).amount == amount
    assert apply_rule(rule(("trees", "<", 80), **more), row, spec()).amount is None


def test_words_are_those_of_the_plan():
    plan = spec(species=["tuber_borchii", "tuber_magnatum"])
    both = "tuber_magnatum; tuber_borchii; tuber_brumale"
    for comparison, words, met in (
        ("in", both, True), ("in", "tuber_borchii", False), ("not in", "tuber_brumale", True),
        ("not in", "tuber_borchii; x", False), ("=", "tuber_borchii; tuber_magnatum", True),
    ):  # fmt: skip
        applied = apply_rule(rule(("species", comparison, words)), {}, plan)
        assert (applied.state is RuleState.MET) == met, (comparison, words)
    assert apply_rule(rule(("hosts", "in", "quercus_ilex")), {}, plan).state is RuleState.UNKNOWN  # nobody has chosen


def test_the_line_shows_figures_source_and_age():
    plan, row = spec(), {"trees": 450}
    aid = rule(("trees", ">=", 80), amount=7, per="tree")
    text = " ".join(rule_lines(row, (aid,), plan, TODAY))
    assert "aid: met, 7 CHF × 450 trees = 3 150 CHF (trees 450 >= 80). office, 2026-01-05." in text
    assert "The office that pays or permits decides" in text
    assert "older than 12 months: look it up again" in " ".join(
        rule_lines(row, (aid,), plan, datetime.date(2027, 1, 5))
    )
    assert "trees 450 is not < 80" in " ".join(rule_lines(row, (rule(("trees", "<", 80)),), plan, TODAY))
    assert "trees not known" in " ".join(rule_lines({}, (aid,), plan, TODAY))


def read(folder, text, name="rules.csv"):
    (folder / name).write_text(text, encoding="utf-8")
    plan, problems = small_country(folder, parcels=60) | {"rules": name}, Problems()
    return read_rules(uo.load_plan(plan, base=folder), problems), problems


def test_csv_and_yaml_give_the_same_rule(tmp_path):
    rows = HEAD + "aid,trees,>=,80,7,tree,600,,office,2026-01-05\naid,slope,<,15,,,,,office,2026-01-05\n"
    yaml = (
        "rules:\n- rule: aid\n  when:\n  - {field: trees, comparison: '>=', threshold: 80}\n"
        "  - {field: slope, comparison: <, threshold: 15}\n"
        "  amount: 7\n  per: tree\n  up_to: 600\n  source: office\n  date: 2026-01-05\n"
    )
    (one,), problems = read(tmp_path, rows)
    (other,), more = read(tmp_path, yaml, "rules.yaml")
    assert not problems.faults + more.faults
    assert one == other


@pytest.mark.parametrize(
    ("row", "code", "says"),
    [
        ("aid,tress,>=,80,,,,,office,2026-01-05", "E418", 'there is no field "tress"'),
        ("aid,trees,in,80,,,,,office,2026-01-05", "E418", '"in" does not suit trees'),
        ("aid,trees,>=,many,,,,,office,2026-01-05", "E418", "trees is compared with a number"),
        ("aid,species,<,black,,,,,office,2026-01-05", "E418", '"<" does not suit species'),
        ("aid,trees,=>,80,,,,,office,2026-01-05", "E418", "comparison"),
        ("aid,trees,>=,80,,,,,office,5.1.2026", "E418", "should be a date"),
        ("aid,trees,>=,80,,,,,,2026-01-05", "E418", "source"),
        ("aid,trees,>=,80,seven,,,,office,2026-01-05", "E412", 'amount "seven" is no number'),
        ("aid,trees,__import__('os'),80,,,,,office,2026-01-05", "E418", "comparison"),
        ("a:d,trees,>=,80,,,,,office,2026-01-05", "E418", "a:d"),
        ("aid,trees,>=,8,7,,,,office,2026-01-05\naid,slope,<,9,8,,,,office,2026-01-05", "E418", "amount of"),
    ],
)
def test_a_fault_names_its_line_or_rule(tmp_path, row, code, says):
    _, problems = read(tmp_path, HEAD + row + "\n")
    assert code in [fault.code for fault in problems.faults]
    assert any(says in fault.what for fault in problems.faults), problems.faults


def test_a_run_writes_what_each_parcel_meets(tmp_path):
    plan = small_country(tmp_path, parcels=60) | {"rules": "rules.csv", "prices": {"currency": "CHF"}}
    rows = "aid,usable_ha,>=,5,7,tree,60000,,office,2026-01-05\nfee,slope,>,1000,-5,ha,,,office,2026-01-05\n"
    (tmp_path / "rules.csv").write_text(HEAD + rows, encoding="utf-8")
    run = uo.run(uo.load_plan(plan, base=tmp_path), out=tmp_path / "out")
    judged = run.parcels[run.parcels["rank"].notna()]
    for _, row in judged.iterrows():
        is_met = row["usable_ha"] >= 5
        amount = f", {7 * min(row['trees'], 60000):.2f}" if is_met else ""
        assert row["rules"] == f"aid: {'met' if is_met else 'not met'}{amount}; fee: not met"
    assert judged["rules"].nunique() > 2
    assert "Your rules:" in run.explain(judged.iloc[0]["id"])
    met = int((judged["usable_ha"] >= 5).sum())
    page = (run.folder / "report.html").read_text(encoding="utf-8")
    assert f"aid: met by {met} of {len(run.parcels)} parcels" in page
    assert [each.rule for each in uo.Run.open(run.folder).manifest.rules] == ["aid", "fee"]
