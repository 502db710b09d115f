"""The rule of a verdict: a pure function of a few figures and the plan's limits."""

from __future__ import annotations

from dataclasses import dataclass

from underoak.base.number_words import TIE
from underoak.places.answers.verdict import DecidedBy, TooSmall, Verdict
from underoak.plan.keys.verdict import VerdictSpec

SETTLES = 0.01  # a test with a flip chance above this may settle an open question; common practice, no source

_VERDICTS = {
    DecidedBy.TOO_SMALL: Verdict.NO,
    DecidedBy.UNLIKELY: Verdict.NO,
    DecidedBy.LOOK_FIRST: Verdict.TEST_FIRST,
    DecidedBy.TEST: Verdict.TEST_FIRST,
    DecidedBy.LIKELY: Verdict.YES,
    DecidedBy.DOUBT_OFF: Verdict.OPEN,
    DecidedBy.BETWEEN: Verdict.TEST_FIRST,
    DecidedBy.UNSETTLED: Verdict.OPEN,
}


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a verdict rests on."""

    p_s2: float  # share of the draws with class S2 or better
    greatest_flip: float = 0.0  # the greatest flip chance of any soil test; 0 where nothing can be tested
    judged_weight: float | None = None  # share of the profile's weight that is looked at; None without a profile
    too_small: TooSmall | None = None
    is_doubt_off: bool = False  # errors of layers were switched off, so P is more certain than the maps are


def decide(evidence: Evidence, limits: VerdictSpec) -> DecidedBy:
    """Return the first rule that holds, in the order of `DecidedBy`. Figures within 1e-6 of a limit reach it.

    >>> limits = VerdictSpec()
    >>> [decide(Evidence(p, flip), limits).value for p, flip in ((0.9, 0.1), (0.9, 0.2), (0.5, 0.1), (0.5, 0.0))]
    ['likely', 'test', 'between', 'unsettled']
    >>> decide(Evidence(0.1, 0.9), limits).value, decide(Evidence(0.9, judged_weight=0.46), limits).value
    ('unlikely', 'look first')

    Raises:
        ValueError: when `p_s2` is not within 0..1: land that is not judged has no verdict.
    """
    p, flip, looked = evidence.p_s2, evidence.greatest_flip, evidence.judged_weight
    if not 0.0 <= p <= 1.0:
        raise ValueError(f"no verdict from a probability of {p:g}")
    if evidence.too_small is not None:
        return DecidedBy.TOO_SMALL
    if p <= limits.no_at + TIE:
        return DecidedBy.UNLIKELY
    if looked is not None and looked < limits.judged_at - TIE:
        return DecidedBy.LOOK_FIRST
    if flip >= limits.test_first_at - TIE:
        return DecidedBy.TEST
    if p >= limits.yes_at - TIE:
        return DecidedBy.DOUBT_OFF if evidence.is_doubt_off else DecidedBy.LIKELY
    return DecidedBy.BETWEEN if flip > SETTLES + TIE else DecidedBy.UNSETTLED


def verdict_of(rule: DecidedBy) -> Verdict:
    """Return the verdict that a rule gives.

    >>> verdict_of(DecidedBy.UNSETTLED)
    <Verdict.OPEN: 'open'>
    """
    return _VERDICTS[rule]
