"""The order of checks in words: what to do first, what it costs on average, what fits before signing."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from typing import Any

from underoak.base.errors import count_of
from underoak.base.number_words import money
from underoak.decision.checks.order import CheckOrder, TimeFit, fit_before, open_checks, order_checks
from underoak.decision.deal.ledger import DealEntry
from underoak.places.answers.deal import DealState
from underoak.places.answers.needs import LabUse
from underoak.plan.keys.decision.checks import CheckSpec
from underoak.plan.keys.plan_keys import PlanSpec

_MOST_NAMED = 3
HEAD = "What to check, in this order:"


def settled(row: Mapping[str, Any], deal: Mapping[str, DealEntry]) -> set[str]:
    """Return the questions that a parcel has an answer to, and the layers with a lab result that is used."""
    answered = {name for name, entry in deal.items() if entry.state is not DealState.UNKNOWN}
    lab = row.get("lab")
    tested = {each.layer for each in lab if each.use is LabUse.USED} if isinstance(lab, tuple) else set()
    return answered | tested


def parcel_check_lines(
    row: Mapping[str, Any], deal: Mapping[str, DealEntry], plan: PlanSpec, today: datetime.date
) -> list[str]:
    """Return what is left to check of a parcel, in order; nothing where the plan names no checks."""
    if not plan.checks:
        return []
    if any(entry.state is DealState.BLOCKS for entry in deal.values()):
        return ["Nothing to check: the deal has ended. Pay for no test unless what blocks it is lifted."]
    remaining = open_checks(plan.checks, settled(row, deal))
    if not remaining:
        return ["Nothing to check: all checks of the plan are answered."]
    return check_lines(remaining, plan, today)


def check_lines(checks: Sequence[CheckSpec], plan: PlanSpec, today: datetime.date) -> list[str]:
    """Return checks in order, their spend, and what fits before the day of signing."""
    order, currency = order_checks(checks), plan.prices.currency or ""
    lines = [HEAD, *(f"{n}. {item}" for n, item in enumerate(check_items(order, currency), start=1))]
    lines.append(spend_words(order, currency))
    if plan.signing is not None:
        signing = datetime.date.fromisoformat(plan.signing)
        lines.append(time_words(fit_before(order.checks, today, signing), order, today, signing))
    return lines


def check_items(order: CheckOrder, currency: str) -> list[str]:
    """Return each check of an order with price, days and chance."""
    return [
        f"{check.name}: {exact_money(check.price, currency)}, {count_of(check.days, 'day')}"
        + ("" if check.chance_of_no is None else f", your chance of a no {check.chance_of_no:g}")
        for check in order.checks
    ]


def exact_money(value: float, currency: str) -> str:
    """Return a price that somebody gave, unrounded.

    >>> exact_money(12.5, "EUR"), exact_money(1234.0, "EUR"), exact_money(0.0, "")
    ('12.50 EUR', '1 234 EUR', 'free')
    """
    if value == 0.0:
        return "free"
    digits = 0 if value == round(value) else 2
    return f"{value:,.{digits}f}".replace(",", " ") + (f" {currency}" if currency else "")


def spend_words(order: CheckOrder, currency: str) -> str:
    """Return what an order costs on average, and what that rests on."""
    if len(order.checks) == 1:
        return "Price and days are yours."
    total = exact_money(order.total, currency)
    if order.expected is None or order.worst is None:
        names = ", ".join(order.without_chance[:_MOST_NAMED])
        more = len(order.without_chance) - _MOST_NAMED
        return (
            f"The cheapest first, as you give no chance of a no for {names}{f' and {more} more' if more > 0 else ''}; "
            f"none comes with the package. All together: {total}. Stop at the first no. Prices and days are yours."
        )
    return (
        f"Stop at the first no: you then spend {money(order.expected, currency)} on average, in the worst order "
        f"{money(order.worst, currency)}, for all {total}. Prices, days and chances are yours; the checks are taken to "
        "be independent of each other, and if they are not, the average differs."
    )


def time_words(fit: TimeFit, order: CheckOrder, today: datetime.date, signing: datetime.date) -> str:
    """Return what is done before the day of signing, one after the other and started together."""
    if fit.days_left < 0:
        return f"The day of signing, {signing.isoformat()}, has passed."
    n, head = len(order.checks), f"{count_of(fit.days_left, 'day')} from {today.isoformat()} to the day of signing:"
    if fit.in_turn == n:
        return f"{head} all are done by then, one after the other."
    done = {0: "none is", 1: "the first is"}.get(fit.in_turn, f"the first {fit.in_turn} are")
    in_turn = f"{head} one after the other {done} done by then; all take {count_of(fit.in_turn_days, 'day')}"
    if len(fit.too_long) == n:
        return f"{in_turn}. None is done by then even if all start on that day: sign later, or sign subject to them."
    together = "all are" if not fit.too_long else f"all but {', '.join(fit.too_long)} are"
    later = " Sign later, or sign subject to the rest." if fit.too_long else ""
    return f"{in_turn}. Started together, {together}, but then you pay for all that you start.{later}"
