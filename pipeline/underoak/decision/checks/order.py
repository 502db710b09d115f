"""The order of checks by what they cost and how likely they end the deal, and what an order costs on average."""

from __future__ import annotations

import datetime
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from underoak.plan.keys.decision.checks import CheckSpec


@dataclass(frozen=True, slots=True)
class CheckOrder:
    """Checks in the order in which to do them, and the spend of that order and of the worst."""

    checks: tuple[CheckSpec, ...]
    without_chance: tuple[str, ...] = ()  # names of the checks without one; the order then goes by price
    expected: float | None = None  # mean spend if you stop at the first no; None where a chance is missing
    worst: float | None = None  # the same, of the worst order

    @property
    def total(self) -> float:
        """The price of all checks."""
        return sum(check.price for check in self.checks)


@dataclass(frozen=True, slots=True)
class TimeFit:
    """What is done before a day."""

    days_left: int
    in_turn: int  # checks that are done by then, one after the other in the given order
    in_turn_days: int  # that all take so
    too_long: tuple[str, ...]  # names of the checks that take longer even if all start today


def order_checks(checks: Sequence[CheckSpec]) -> CheckOrder:
    """Return the checks in the order of least expected spend: by chance of a no over price, free ones first.

    Checks are taken to be independent, and the first no ends the work. The order is exact then: of two neighbours the
    one with the higher ratio goes first, because p1/c1 > p2/c2 means c1 + (1 - p1) c2 < c2 + (1 - p2) c1. If a chance
    is missing, by price. Ties go by days, then as given.

    >>> dear, cheap = ({"name": n, "answers": "title", "days": 1, "price": c, "chance_of_no": p}
    ...                for n, c, p in (("dear", 90, 0.6), ("cheap", 10, 0.1)))
    >>> order = order_checks([CheckSpec.model_validate(each) for each in (dear, cheap)])
    >>> [check.name for check in order.checks], order.expected, order.worst  # 10 + 0.9 x 90, 90 + 0.4 x 10
    (['cheap', 'dear'], 91.0, 94.0)
    """
    missing = tuple(check.name for check in checks if check.chance_of_no is None)
    if missing:
        by_price = sorted(checks, key=lambda check: (check.price, check.days))
        return CheckOrder(tuple(by_price), missing)
    best = sorted(checks, key=lambda check: (-_ratio(check), check.days))
    worst = sorted(checks, key=_ratio)
    return CheckOrder(tuple(best), (), expected_spend(best), expected_spend(worst))


def expected_spend(checks: Sequence[CheckSpec]) -> float:
    """Return the mean spend on checks in an order, if the first no ends the work.

    A chance that is not given counts as 0: nothing stops there.
    """
    spend, goes_on = 0.0, 1.0
    for check in checks:
        spend += goes_on * check.price
        goes_on *= 1.0 - (check.chance_of_no or 0.0)
    return spend


def _ratio(check: CheckSpec) -> float:
    """Return the chance of a no over the price, to twelve digits so that equal ratios tie; infinite if it is free."""
    if check.price == 0.0:
        return float("inf")
    return float(f"{(check.chance_of_no or 0.0) / check.price:.11e}")


def fit_before(checks: Sequence[CheckSpec], today: datetime.date, signing: datetime.date) -> TimeFit:
    """Return which checks are done before the day of signing, one after the other and all started today."""
    days_left, day, in_turn = (signing - today).days, 0, 0
    for n, check in enumerate(checks, start=1):
        day += check.days
        in_turn = n if day <= days_left else in_turn
    too_long = tuple(check.name for check in checks if check.days > days_left)
    return TimeFit(days_left, in_turn, day, too_long)


def open_checks(checks: Sequence[CheckSpec], settled: Collection[str]) -> list[CheckSpec]:
    """Return the checks whose question or layer is not settled yet."""
    return [check for check in checks if check.answers not in settled]
