"""The rule of a verdict: its order, its limits, and what more evidence may never do."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from underoak.base.number_words import TIE
from underoak.places.answers.verdict import DecidedBy, TooSmall, Verdict
from underoak.places.verdicts.decision import SETTLES, Evidence, decide, verdict_of
from underoak.plan.keys.verdict import VerdictSpec

SHARES = st.floats(0.0, 1.0)
# also figures that stand on a limit, or a hair beside it
LIMITS = st.tuples(SHARES, SHARES, SHARES, SHARES).filter(lambda x: x[0] + 4 * TIE < x[1]).map(
    lambda x: VerdictSpec(no_at=x[0], yes_at=x[1], test_first_at=x[2], judged_at=x[3])
)  # fmt: skip


@st.composite
def cases(draw):
    limits = draw(LIMITS)
    near = [limits.no_at, limits.yes_at, limits.test_first_at, limits.judged_at, SETTLES, 0.0, 1.0]
    hair = st.sampled_from([-3e-6, 0.0, 3e-6])
    figure = SHARES | st.tuples(st.sampled_from(near), hair).map(lambda x: min(max(sum(x), 0.0), 1.0))
    weight = draw(st.none() | figure)
    small = draw(st.sampled_from([None, None, None, *TooSmall]))
    return Evidence(draw(figure), draw(figure), weight, small, draw(st.booleans())), limits


def by_the_page(evidence, limits):
    """The rules as the documentation states them, one after the other."""
    p, flip, weight = evidence.p_s2, evidence.greatest_flip, evidence.judged_weight
    reaches = lambda value, limit: value >= limit - TIE  # noqa: E731
    if evidence.too_small or reaches(limits.no_at, p):
        return Verdict.NO
    if reaches(flip, limits.test_first_at) or (weight is not None and not reaches(weight, limits.judged_at)):
        return Verdict.TEST_FIRST
    if reaches(p, limits.yes_at):
        return Verdict.OPEN if evidence.is_doubt_off else Verdict.YES
    return Verdict.TEST_FIRST if flip > SETTLES + TIE else Verdict.OPEN


@given(cases())
def test_the_first_rule_that_holds_decides(case):
    assert verdict_of(decide(*case)) is by_the_page(*case)


@given(cases(), SHARES)
def test_a_greater_chance_never_turns_yes_into_no_nor_no_into_less(case, more):
    evidence, limits = case
    better = replace(evidence, p_s2=max(evidence.p_s2, more))
    before, after = verdict_of(decide(evidence, limits)), verdict_of(decide(better, limits))
    if before is Verdict.YES:
        assert after is Verdict.YES
    if before is not Verdict.NO:
        assert after is not Verdict.NO


@given(cases(), SHARES)
def test_a_likelier_test_never_makes_a_yes_and_changes_no_no(case, more):
    evidence, limits = case
    doubtful = replace(evidence, greatest_flip=max(evidence.greatest_flip, more))
    before, after = verdict_of(decide(evidence, limits)), verdict_of(decide(doubtful, limits))
    assert (before is Verdict.NO) == (after is Verdict.NO)
    if before is not Verdict.YES:
        assert after is not Verdict.YES
    if before is Verdict.TEST_FIRST:
        assert after is Verdict.TEST_FIRST


@given(cases())
def test_without_a_profile_nothing_has_to_be_looked_at(case):
    evidence, limits = case
    free = replace(evidence, judged_weight=None)
    assert decide(free, limits) is not DecidedBy.LOOK_FIRST
    assert decide(replace(free, judged_weight=1.0), limits) == decide(free, limits)


@given(cases())
def test_too_little_looked_at_gives_no_yes_and_keeps_every_no(case):
    evidence, limits = case
    assume(limits.judged_at > 4 * TIE)
    blind = replace(evidence, judged_weight=0.0)
    with_all = replace(evidence, judged_weight=1.0)
    if verdict_of(decide(with_all, limits)) is Verdict.NO:
        assert decide(blind, limits) == decide(with_all, limits)
    else:
        assert decide(blind, limits) is DecidedBy.LOOK_FIRST
        assert verdict_of(DecidedBy.LOOK_FIRST) is Verdict.TEST_FIRST


@given(cases())
def test_doubt_switched_off_changes_a_yes_and_nothing_else(case):
    evidence, limits = case
    on, off = (decide(replace(evidence, is_doubt_off=each), limits) for each in (False, True))
    assert off == (DecidedBy.DOUBT_OFF if on is DecidedBy.LIKELY else on)
    assert verdict_of(off) is not Verdict.YES


@given(cases(), st.sampled_from(TooSmall))
def test_what_is_too_small_is_a_no_whatever_else_is_known(case, why):
    evidence, limits = case
    assert decide(replace(evidence, too_small=why), limits) is DecidedBy.TOO_SMALL


def test_every_rule_has_a_verdict():
    assert {verdict_of(rule) for rule in DecidedBy} == set(Verdict)


@pytest.mark.parametrize("p", [-0.1, 1.1, float("nan")])
def test_land_that_is_not_judged_has_no_verdict(p):
    with pytest.raises(ValueError, match="no verdict"):
        decide(Evidence(p), VerdictSpec())
