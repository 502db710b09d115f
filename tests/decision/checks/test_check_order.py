"""The order of checks: least expected spend of all orders, by hand and against every permutation."""

from __future__ import annotations

import datetime
import itertools
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import underoak as uo
from underoak.base.errors import UnderoakError
from underoak.decision.checks.order import expected_spend, fit_before, order_checks
from underoak.decision.deal.ledger import DealEntry
from underoak.places.answers.deal import DealState
from underoak.plan.keys.decision.checks import CheckSpec
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.report.text.decision.check_words import check_lines, parcel_check_lines

CHANCES = st.one_of(st.sampled_from([0.0, 0.5, 1.0]), st.floats(0.0, 1.0))
PRICES = st.one_of(st.sampled_from([0.0, 30.0]), st.floats(0.01, 5000.0))


def check(name, price, days=1, chance=None, answers="title"):
    return CheckSpec(name=name, answers=answers, price=price, days=days, chance_of_no=chance)


@st.composite
def some_checks(draw, most=7):
    count = draw(st.integers(1, most))
    return [check(f"c{n}", draw(PRICES), draw(st.integers(0, 40)), draw(CHANCES)) for n in range(count)]


@settings(deadline=None, max_examples=40)
@given(some_checks())
def test_no_order_of_up_to_seven_checks_costs_less_on_average_and_none_more_than_the_worst(checks):
    order = order_checks(checks)
    spends = [expected_spend(each) for each in itertools.permutations(checks)]
    assert order.expected == pytest.approx(min(spends), rel=1e-9, abs=1e-9)
    assert order.worst == pytest.approx(max(spends), rel=1e-9, abs=1e-9)
    assert order.expected <= order.total + 1e-9


@given(some_checks(5))
def test_the_mean_spend_is_that_of_every_course_of_answers(checks):
    total = 0.0
    for answers in itertools.product([False, True], repeat=len(checks)):  # True: a no
        chance, spend, has_ended = 1.0, 0.0, False
        for each, is_no in zip(checks, answers, strict=True):
            chance *= each.chance_of_no if is_no else 1.0 - each.chance_of_no
            spend += 0.0 if has_ended else each.price
            has_ended = has_ended or is_no
        total += chance * spend
    assert expected_spend(checks) == pytest.approx(total, rel=1e-9, abs=1e-9)


def test_five_invented_checks_by_hand():
    checks = [
        check("pit", 200, chance=0.2), check("water office", 30, chance=0.3), check("land plan", 5, chance=0.1),
        check("soil", 60, chance=0.24), check("lawyer", 250, chance=0.05),
    ]  # fmt: skip
    random.Random(3).shuffle(checks)
    order = order_checks(checks)
    assert [each.name for each in order.checks] == ["land plan", "water office", "soil", "pit", "lawyer"]
    # ratios 0.02, 0.01, 0.004, 0.001, 0.0002; 5 + 0.9 (30 + 0.7 (60 + 0.76 (200 + 0.8 x 250)))
    assert order.expected == pytest.approx(261.32)
    # the other way: 250 + 0.95 (200 + 0.8 (60 + 0.76 (30 + 0.7 x 5)))
    assert order.worst == pytest.approx(504.9496)


def test_what_is_free_comes_first_and_ties_go_by_days():
    checks = [
        check("slow", 20, 9, 0.4), check("quick", 10, 2, 0.2), check("free, sure to pass", 0, 30, 0.0),
        check("free", 0, 3, 0.1),
    ]  # fmt: skip
    assert [each.name for each in order_checks(checks).checks] == ["free", "free, sure to pass", "quick", "slow"]


def test_without_all_chances_the_cheapest_comes_first_and_no_average_is_told():
    order = order_checks([check("b", 9, chance=0.9), check("a", 3, 5), check("c", 3, 2)])
    assert [each.name for each in order.checks] == ["c", "a", "b"]
    assert (order.expected, order.worst, order.without_chance) == (None, None, ("a", "c"))


def test_no_chance_of_a_no_comes_with_the_package():
    assert CheckSpec.model_fields["chance_of_no"].default is None


@given(some_checks(), st.integers(-5, 200))
def test_what_fits_before_a_day(checks, days_left):
    today = datetime.date(2026, 3, 1)
    fit = fit_before(checks, today, today + datetime.timedelta(days_left))
    assert sum(each.days for each in checks[: fit.in_turn]) <= max(days_left, 0)
    if fit.in_turn < len(checks):
        assert sum(each.days for each in checks[: fit.in_turn + 1]) > days_left
    assert set(fit.too_long) == {each.name for each in checks if each.days > days_left}


def plan_with(**more):
    return PlanSpec.model_validate(
        {
            "format": 1, "title": "t", "purpose": "buy",
            "region": {"bounds": [0, 0, 9, 9], "crs": "EPSG:3857", "cell": "1 m"},
            "layers": {"soil_ph": {"file": "a.tif", "unit": "pH"}}, "parcels": {"file": "a.gpkg", "id": "id"},
            "prices": {"currency": "CHF"},
        } | more
    )  # fmt: skip


CHECKS = [
    {"name": "land plan sheet", "answers": "land_plan", "price": 5, "days": 1, "chance_of_no": 0.1},
    {"name": "water office", "answers": "water_right", "price": 30, "days": 20, "chance_of_no": 0.3},
    {"name": "pH", "answers": "soil_ph", "price": 60, "days": 10, "chance_of_no": 0.24},
]


def test_the_words_say_whose_the_figures_are_and_what_fits():
    plan = plan_with(checks=CHECKS, signing="2026-03-16")
    text = " ".join(check_lines(plan.checks, plan, datetime.date(2026, 3, 1)))
    assert "1. land plan sheet: 5 CHF, 1 day, your chance of a no 0.1 2. water office: 30 CHF, 20 days" in text
    # 5 + 0.9 (30 + 0.7 x 60) = 69.8; 60 + 0.76 (30 + 0.7 x 5) = 85.46
    assert "you then spend 70 CHF on average, in the worst order 85 CHF, for all 95 CHF" in text
    assert "Prices, days and chances are yours" in text
    assert "independent" in text
    assert "15 days from 2026-03-01 to the day of signing: one after the other the first is done by then" in text
    assert "Started together, all but water office are" in text
    assert "has passed" in " ".join(check_lines(plan.checks, plan, datetime.date(2026, 3, 17)))


def test_what_is_settled_is_not_checked_again_and_a_blocked_deal_takes_no_more_money():
    plan, today = plan_with(checks=CHECKS), datetime.date(2026, 3, 1)
    lines = parcel_check_lines({}, {"water_right": DealEntry(DealState.CLEAR)}, plan, today)
    assert [line.split(":")[0] for line in lines[1:3]] == ["1. land plan sheet", "2. pH"]
    (line,) = parcel_check_lines({}, {"lease": DealEntry(DealState.BLOCKS)}, plan, today)
    assert line.startswith("Nothing to check: the deal has ended.")
    assert parcel_check_lines({}, {}, plan_with(), today) == []


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"answers": "titel"}, '"titel" is no question and no layer'),
        ({"price": -1}, "price"),
        ({"chance_of_no": 1.5}, "chance_of_no"),
        ({"days": -1}, "days"),
    ],
)
def test_a_slip_in_a_check_is_named(more, says):
    with pytest.raises(UnderoakError) as caught:
        uo.load_plan(plan_document(CHECKS[0] | more))
    assert says in str(caught.value)


def plan_document(each):
    return {
        "format": 1, "title": "t", "purpose": "buy",
            "region": {"bounds": [0, 0, 9, 9], "crs": "EPSG:3857", "cell": "1 m"},
        "layers": {"soil_ph": {"file": "a.tif", "unit": "pH"}}, "parcels": {"file": "a.gpkg", "id": "id"},
        "criteria": {"ph": {"layer": "soil_ph", "curve": {"shape": "ramp_up", "at": [6, 7]}, "source": "a test"}},
        "checks": [each],
    }  # fmt: skip
