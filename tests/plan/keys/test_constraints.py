from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.errors import UnderoakError
from underoak.plan.keys.constraints import Comparison


@pytest.mark.parametrize(
    ("text", "below", "at", "above"),
    [("< 30", True, False, False), ("<= 30 degree", True, True, False), ("> 30", False, False, True),
     (">=30", False, True, True), ("== 30", False, True, False), ("  != 3e1 mm ", True, False, True)],
)  # fmt: skip
def test_each_sign_means_what_it_looks_like(text: str, below: bool, at: bool, above: bool) -> None:
    holds = Comparison.parse(text).holds(np.float32([29.0, 30.0, 31.0]))
    assert holds.tolist() == [below, at, above]


def test_a_list_of_codes_holds_for_these_codes_only() -> None:
    assert Comparison.parse("in 1, 2,5").holds(np.float32([1, 2, 3, 5, np.nan])).tolist() == [
        True,
        True,
        False,
        True,
        False,
    ]


def test_a_number_is_brought_to_the_layers_unit() -> None:
    assert Comparison.parse("> 0.25 km").in_unit("m") == Comparison(">", 250.0, "m")
    assert Comparison.parse("< -5 degC").in_unit("K").value == pytest.approx(268.15)
    assert Comparison.parse("> 30").in_unit("degree").value == 30.0
    with pytest.raises(UnderoakError, match="E341"):
        Comparison.parse("> 30 mm").in_unit("degree")


REFUSED = ["", "30", "> ", ">> 3", "> 3 4", "= 3", "> nan", "> inf", "> 1e999", "in", "in 1.5", "in 1,,2", "in 1 2",
           "> 3; os", "not > 3", "> 3 > 4", "a > 3", "> x", "in 9999999999"]  # fmt: skip


@pytest.mark.parametrize("text", REFUSED)
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(UnderoakError, match="E322"):
        Comparison.parse(text)


@given(st.text(max_size=30))
def test_no_text_does_anything_but_parse_or_be_refused(text: str) -> None:
    told: tuple[str, ...] = ()
    sign = ""
    try:
        sign = Comparison.parse(text).sign
    except UnderoakError as error:
        told = tuple(fault.code for fault in error.faults)
    assert (sign in {"<", "<=", ">", ">=", "==", "!=", "in"}) != (told == ("E322",))


@given(st.sampled_from(["<", "<=", ">", ">=", "==", "!="]), st.floats(allow_nan=False, allow_infinity=False))
def test_every_finite_number_can_be_compared_with(sign: str, number: float) -> None:
    assert Comparison.parse(f"{sign} {number!r}") == Comparison(sign, number)
