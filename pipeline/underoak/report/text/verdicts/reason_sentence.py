"""The reason of a verdict as one sentence without its full stop, and the record read back from it. English."""

from __future__ import annotations

import re
from collections.abc import Iterator

from underoak.base.number_words import TIE, beside, cut_words, percent_beside
from underoak.places.answers.verdict import DecidedBy, TooSmall, VerdictReason
from underoak.places.verdicts.decision import SETTLES

_NO_TEST = "no single test of the soil would turn the answer"
_UNSETTLED = ", and nothing that can be tested would settle it"
_CHANCE = re.compile(r"S2 or better in (?P<p>\S+) % of (?P<draws>\d+) draws")
_RULES = {
    DecidedBy.UNLIKELY: re.compile(r"(?P<no_at>\S+) % is too little"),
    DecidedBy.LIKELY: re.compile(r"(?P<yes_at>\S+) % is enough"),
    DecidedBy.DOUBT_OFF: re.compile(r"(?P<yes_at>\S+) % would be enough, but doubt is switched off"),
    DecidedBy.BETWEEN: re.compile(r"neither the (?P<yes_at>\S+) % of a yes nor the (?P<no_at>\S+) % of a no"),
    DecidedBy.UNSETTLED: re.compile(
        rf"neither the (?P<yes_at>\S+) % of a yes nor the (?P<no_at>\S+) % of a no{_UNSETTLED}"
    ),
    DecidedBy.TEST: re.compile(r"a chance of (?P<test_first_at>\S+) is enough to test first"),
    DecidedBy.LOOK_FIRST: re.compile(
        r"look first(?:: add (?P<add>.+))?, as (?P<judged_weight>\S+) of the profile's weight is looked at and "
        r"(?P<judged_at>\S+) is the least"
    ),
}
_TOO_SMALL = {
    TooSmall.AREA: re.compile(
        r"(?P<usable_ha>\S+) ha of usable land is less than the (?P<usable_area_ha>\S+) ha that it takes"
    ),
    TooSmall.TREES: re.compile(r"no tree fits on its (?P<usable_ha>\S+) ha of usable land"),
}
_TEST = re.compile(r"one test of (?P<test>.+) would turn the answer with a chance of (?P<flip_chance>\S+)")
_HARDLY = re.compile(r"hardly any test would turn the answer \(greatest chance (?P<flip_chance>\S+), of (?P<test>.+)\)")
_UNKNOWN = re.compile(
    r"what a test of (?P<unknown>.+) would change is not known, as the error of that map is not known"
)
_SHARES = ("yes_at", "no_at")


class VerdictReasonText:
    """The figures behind a verdict, in one sentence without its full stop.

    >>> reason = VerdictReason(DecidedBy.BETWEEN, 0.64, 64, 0.8, 0.2, test="soil_ph", flip_chance=0.125)
    >>> print(VerdictReasonText().encode(reason).replace("; ", ";\\n"))
    S2 or better in 64 % of 64 draws;
    neither the 80 % of a yes nor the 20 % of a no;
    one test of soil_ph would turn the answer with a chance of 0.12
    """

    def encode(self, value: VerdictReason) -> str:
        """Return the sentence."""
        cuts = [cut for cut in (value.yes_at, value.no_at) if cut is not None]
        chance = f"S2 or better in {percent_beside(value.p_s2, cuts)} of {value.draws} draws"
        clauses = [_rule(value), *_tests(value)]
        if value.decided_by is DecidedBy.TEST:  # the limit follows its figure
            clauses[:2] = clauses[1::-1]
        return "; ".join([chance, *clauses])

    def decode(self, text: str) -> VerdictReason:
        """Return the record."""
        first, *clauses = text.split("; ")
        chance = _CHANCE.fullmatch(first)
        if chance is None or not clauses:
            raise ValueError(f"{text} is no reason for a verdict")
        figures: dict[str, object] = {}
        rule = None
        for clause in clauses:
            for decided_by, pattern in (*_RULES.items(), *((DecidedBy.TOO_SMALL, p) for p in _TOO_SMALL.values())):
                if match := pattern.fullmatch(clause):
                    rule, figures = decided_by, figures | _figures(match)
            if match := _TEST.fullmatch(clause) or _HARDLY.fullmatch(clause) or _UNKNOWN.fullmatch(clause):
                figures |= _figures(match)
        if rule is None:
            raise ValueError(f"{text} is no reason for a verdict")
        if rule is DecidedBy.TOO_SMALL:
            figures["too_small"] = TooSmall.AREA if "usable_area_ha" in figures else TooSmall.TREES
        return VerdictReason(rule, float(chance["p"]) / 100.0, int(chance["draws"]), **figures)  # type: ignore[arg-type]


def turns_hardly(greatest_flip: float) -> bool:
    """Return whether even the likeliest test is too unlikely to turn an answer to count, as in the rule.

    >>> turns_hardly(SETTLES), turns_hardly(0.02)
    (True, False)
    """
    return greatest_flip <= SETTLES + TIE


def _figures(match: re.Match[str]) -> dict[str, object]:
    figures: dict[str, object] = {}
    for name, text in match.groupdict().items():
        if name in ("add", "unknown"):
            figures[name] = () if text is None else tuple(text.split(", "))
        elif name == "test":
            figures[name] = text
        else:
            figures[name] = float(text) / (100.0 if name in _SHARES else 1.0)
    return figures


def _rule(value: VerdictReason) -> str:
    """Return the clause of the rule that decided."""
    yes = "" if value.yes_at is None else f"{cut_words(value.yes_at * 100.0, 0, 4)} %"
    no = "" if value.no_at is None else f"{cut_words(value.no_at * 100.0, 0, 4)} %"
    match value.decided_by:
        case DecidedBy.TOO_SMALL:
            return _too_small(value)
        case DecidedBy.UNLIKELY:
            return f"{no} is too little"
        case DecidedBy.LIKELY:
            return f"{yes} is enough"
        case DecidedBy.DOUBT_OFF:
            return f"{yes} would be enough, but doubt is switched off"
        case DecidedBy.TEST:
            assert value.test_first_at is not None
            return f"a chance of {cut_words(value.test_first_at)} is enough to test first"
        case DecidedBy.LOOK_FIRST:
            assert value.judged_weight is not None
            assert value.judged_at is not None
            add = f": add {', '.join(value.add)}" if value.add else ""
            return (
                f"look first{add}, as {beside(value.judged_weight, (value.judged_at,))} of the profile's weight is "
                f"looked at and {cut_words(value.judged_at)} is the least"
            )
        case DecidedBy.BETWEEN | DecidedBy.UNSETTLED:
            end = _UNSETTLED if value.decided_by is DecidedBy.UNSETTLED else ""
            return f"neither the {yes} of a yes nor the {no} of a no{end}"


def _too_small(value: VerdictReason) -> str:
    assert value.usable_ha is not None
    if value.usable_area_ha is None:
        return f"no tree fits on its {beside(value.usable_ha, (0.0,))} ha of usable land"
    least = value.usable_area_ha
    usable = beside(value.usable_ha, (0.0, least))
    return f"{usable} ha of usable land is less than the {cut_words(least)} ha that it takes"


def _tests(value: VerdictReason) -> Iterator[str]:
    """Yield the clauses on soil tests; nothing is said of a test where the error of the map is not known."""
    if value.test is not None and value.flip_chance is not None:
        cuts = [0.0, SETTLES] + ([] if value.test_first_at is None else [value.test_first_at])
        flip = beside(value.flip_chance, cuts)
        if turns_hardly(value.flip_chance):
            yield f"hardly any test would turn the answer (greatest chance {flip}, of {value.test})"
        else:
            yield f"one test of {value.test} would turn the answer with a chance of {flip}"
    elif not value.unknown and value.decided_by is not DecidedBy.TOO_SMALL:  # no test makes land larger
        yield _NO_TEST
    if value.unknown:
        layers = ", ".join(value.unknown)
        yield f"what a test of {layers} would change is not known, as the error of that map is not known"
