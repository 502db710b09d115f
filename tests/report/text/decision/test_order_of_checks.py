"""The order of checks in words: no average where there is nothing to order, and counts that read as English."""

import datetime

from underoak.decision.checks.order import fit_before, order_checks
from underoak.plan.keys.decision.checks import CheckSpec
from underoak.report.text.decision.check_words import spend_words, time_words


def checks(*days):
    given = {"answers": "title", "chance_of_no": 0.3}
    return [CheckSpec(name=f"c{n}", days=each, price=10 + n, **given) for n, each in enumerate(days)]


def test_a_single_check_has_no_average_and_no_worst_order():
    assert spend_words(order_checks(checks(3)), "EUR") == "Price and days are yours."
    assert "on average" in spend_words(order_checks(checks(3, 4)), "EUR")


def test_what_fits_before_signing_is_counted_in_words():
    order, today = order_checks(checks(5, 6, 7)), datetime.date(2031, 3, 1)
    said = {
        days: time_words(fit_before(order.checks, today, today + datetime.timedelta(days)), order, today,
                         today + datetime.timedelta(days))
        for days in (4, 6, 12)
    }  # fmt: skip
    assert "one after the other none is done by then" in said[4]
    assert "one after the other the first is done by then" in said[6]
    assert "one after the other the first 2 are done by then" in said[12]
