"""A seller's claims: units converted, their place among the figures on file, traps."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.cli import main
from underoak.decision.money.claim import Place, Proof, Trap, check_claims, place_of, proofs_for
from underoak.decision.reference.published_ranges import Item, figures_of


def only(*words: str):
    (checked,) = check_claims(words)
    return checked


def of(item: str, *words: str):
    return next(each for each in check_claims(words) if each.claim.item == item)


@pytest.mark.parametrize(
    ("text", "kg_ha"),
    [("7kg/ha", 7), ("7 kg per hectare", 7), ("7 kg a ha", 7), ("0.7t/ha", 700), ("0.3 g/m2", 3), ("0,3 g/m²", 3),
     # 1 lb = 0.45359237 kg and 1 acre = 0.40468564224 ha by definition
     ("10 lb/acre", 11.2085), ("4 kg/acre", 9.8842), ("8 lbs per acre", 8.9668)],
)  # fmt: skip
def test_yields_are_brought_to_kilograms_and_hectares(text, kg_ha):
    checked = only(f"yield={text}")
    assert checked.high == pytest.approx(kg_ha, rel=1e-4)
    assert (Trap.CONVERTED in checked.traps) == ("lb" in text or "acre" in text)


def test_600_kg_on_a_hectare_is_beyond_every_figure_on_file():
    # the working notes' own example: "beyond every figure on file (max ~100)"
    checked = only("yield=600kg/ha")
    assert checked.place is Place.BEYOND
    assert checked.lower == len(checked.figures) == 7
    assert max(figure.high for figure in checked.figures) == 100
    assert set(proofs_for([checked])) >= {Proof.SALES_SLIPS, Proof.DOG, Proof.ROOT_TEST}


def test_order_among_the_figures_is_counted_by_both_ends():
    checked = only("yield=40-55 kg/ha")
    # on file: 25, 50, 100, 34, 0 to 80, 50 to 60, 8
    assert (checked.place, checked.lower, checked.higher) == (Place.WITHIN, 3, 1)


@given(st.floats(0.1, 1e5), st.floats(1, 3))
def test_a_higher_claim_never_has_fewer_lower_figures(kg_ha, factor):
    low, high = only(f"yield={kg_ha:.4f}kg/ha"), only(f"yield={kg_ha * factor:.4f}kg/ha")
    assert low.lower <= high.lower
    assert low.higher >= high.higher
    assert low.place is not Place.BEYOND or high.place is Place.BEYOND


def test_yield_of_a_tree_takes_the_trees_that_are_claimed_else_those_on_file():
    claimed = of("yield", "yield=0.13kg/tree", "trees=370/ha")
    assert claimed.high == pytest.approx(0.13 * 370)
    assert Trap.PER_TREE in claimed.traps
    alone, trees = only("yield=130 g per tree"), figures_of(Item.TREES)
    assert (alone.low, alone.high) == pytest.approx(
        (0.13 * min(f.low for f in trees), 0.13 * max(f.high for f in trees))
    )
    assert Trap.TREES_UNKNOWN in alone.traps
    assert of("yield", "yield=74kg/ha", "trees=370/ha").per_tree == pytest.approx((0.2, 0.2))


def test_grams_are_asked_about_where_a_thousandth_would_fit():
    # a vendor's "64-288 kg per tree"
    assert Trap.GRAMS in only("yield=64-288kg/tree").traps
    assert Trap.GRAMS in only("yield=30000kg/ha").traps
    for text in ("600kg/ha", "30kg/ha", "0.5kg/tree"):
        assert Trap.GRAMS not in only(f"yield={text}").traps


def test_prices_of_another_currency_or_of_shops():
    assert only("price=333EUR/kg").place is Place.WITHIN
    assert only("price=0.6 EUR/g").high == pytest.approx(600)
    assert Trap.RETAIL in only("price=1200 EUR/kg").traps
    assert Trap.RETAIL not in only("price=9000 EUR/kg").traps
    other = only("price=400USD/lb")
    assert (other.place, other.figures, other.unit) == (Place.NOT_COMPARED, (), "USD/kg")
    assert other.high == pytest.approx(400 / 0.45359237)
    assert Trap.OTHER_CURRENCY in other.traps


def test_a_first_truffle_sooner_than_all_is_below_them():
    assert only("first_crop=2").place is Place.BELOW
    assert only("first_crop=4 years").place is Place.WITHIN
    assert place_of(1.0, 2.0, ()) is Place.NOT_COMPARED


@pytest.mark.parametrize(
    ("words", "codes"),
    [
        (["yield=600"], ["E386"]), (["yield=6 kg"], ["E386"]), (["trees=500"], ["E386"]), (["price=400"], ["E386"]),
        (["price=400/kg"], ["E386"]), (["yield=5 stones/ha"], ["E386"]), (["first_crop=3kg"], ["E386"]),
        ([], ["E385"]), (["rubbish"], ["E385"]), (["yield="], ["E385"]), (["yield=lots"], ["E385"]),
        (["yield=1,000kg/ha"], ["E385"]), (["yeild=5kg/ha"], ["E385"]), (["yield=5kg/ha", "yield=6kg/ha"], ["E385"]),
        (["yield=0kg/ha"], ["E385"]), (["yield=-5kg/ha"], ["E385"]), (["yeild=5kg/ha", "trees=4"], ["E385", "E386"]),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_refused_with_a_fix_and_all_at_once(words, codes):
    with pytest.raises(UnderoakError) as caught:
        check_claims(words)
    assert sorted(fault.code for fault in caught.value.faults) == codes
    assert all(fault.fix for fault in caught.value.faults)


@given(st.text(max_size=40))
def test_any_text_is_read_or_refused(text):
    codes: set[str] = set()
    try:
        check_claims([text])
    except UnderoakError as error:
        codes = {fault.code for fault in error.faults}
    assert codes <= {"E385", "E386"}


def test_the_command_ends_with_0_however_bold_the_claim():
    result = CliRunner().invoke(main, ["claim", "yield=600kg/ha", "first_crop=1", "price=5000EUR/kg"])
    assert result.exit_code == 0
    words = " ".join(result.stdout.split())
    assert "beyond every figure on file, the largest of which is 100 kg/ha (7 of 7 are lower)" in words
    for part in ("sales slips of three years", "a dog of your own choice", "root test", "plant certificates"):
        assert part in words
    assert "profit" not in words


def test_json_holds_figures_with_source_year_grade_and_trust():
    result = CliRunner().invoke(main, ["claim", "yield=20", "lb/acre", "--json"])
    (claim,) = json.loads(result.stdout)["claims"]
    assert claim["place"] == "within"
    assert all({"source", "year", "grade", "trust"} <= set(figure) for figure in claim["figures"])
