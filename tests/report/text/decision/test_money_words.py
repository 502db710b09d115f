"""The break-even in words: needed figures and warnings, and never a profit."""

from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st

from underoak.plan.keys.decision.costs import CostsSpec
from underoak.report.text.decision.money_words import break_even_words

BASE = {
    "set_up_ha": 21300, "yearly_ha": 940, "hours_per_kg": 7, "wage": 19, "price_kg": [410, 820], "saleable": 0.7,
    "discount": 0.03, "years": 31, "first_crop": 6, "full_crop": 13, "chances": [0.37], "stop_year": 17,
    "yields_kg_ha": [13],
}  # fmt: skip
LEFT_OVER = re.compile(r"profit|surplus|net present|return on|pays back|\bearn|\bgain|margin", re.IGNORECASE)


def text(**changes: object) -> str:
    words = break_even_words(CostsSpec.model_validate(BASE | changes), "CHF")
    rows = [" ".join(row) for row in (words.head, *words.rows)]
    return "\n".join([words.intro, *rows, *words.lines, *words.published, *words.warnings])


@given(st.floats(200, 3000), st.floats(0, 60000), st.floats(1, 200))
def test_no_profit_is_printed_however_good_the_figures(price, set_up, kg_ha):
    assert not LEFT_OVER.search(text(price_kg=[price], set_up_ha=set_up, yields_kg_ha=[kg_ha]))


def test_costs_are_printed_as_the_plan_gives_them():
    words = text()
    for part in ("21 300 CHF/ha", "940 CHF/ha", "7 hours", "19 CHF", "70 %", "31 years", "3 %", "year 6", "year 13"):
        assert part in words


def test_each_published_figure_says_whose_it_is_with_year_grade_and_trust():
    for line in break_even_words(CostsSpec.model_validate(BASE), "").published:
        assert re.search(
            r"\((a seller's figure; |hearsay; )?(year not stated|.*\d{4}.*); .+; .+; (trust|differs)", line
        )


def test_ranges_hold_every_published_figure_of_their_item():
    words = break_even_words(CostsSpec.model_validate(BASE), "")
    for line in words.published:
        item, low, high = re.match(r"([a-z ]+?) ([\d. ]+?)(?: to ([\d. ]+?))? ", line).groups()
        bounds = [re.match(rf"{item} ([\d.]+)(?: to ([\d.]+))? ", each) for each in words.ranges]
        (bound,) = [match for match in bounds if match]
        assert float(bound[1]) <= float(low)
        assert float(high or low) <= float(bound[2] or bound[1])
    assert sum(int(re.search(r"\((\d+) figure", line)[1]) for line in words.ranges) == len(words.published)


def test_warnings_name_what_is_left_out():
    words = text()
    for part in ("costs are yours", "tax, aid and inflation", "Land is left out", "not that share", "not advice"):
        assert part in words


def test_a_price_below_the_cost_of_picking_is_named():
    words = text(price_kg=[100, 820])
    assert "no yield" in words
    assert "No yield: at 100 CHF per kg the picking alone costs" in words


def test_stop_rule_compares_with_the_end():
    assert "Stopping after year 17 instead of 31" in text()
    assert "Try an earlier stop_year" in text(stop_year=None)
    assert "Stop-year" not in text(chances=[])


def test_a_plan_without_a_currency_prints_bare_numbers():
    words = break_even_words(CostsSpec.model_validate(BASE), "")
    assert "21 300/ha to set up" in words.intro
    assert words.head[1] == "at 410/kg"
