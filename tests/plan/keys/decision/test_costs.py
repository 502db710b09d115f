"""The key `costs`: what is required, and years in order."""

from __future__ import annotations

import pytest

from plan_texts import GOOD, faults, loaded

KEYS = {
    "set_up_ha": 15000, "yearly_ha": 1200, "hours_per_kg": 10, "wage": 15, "price_kg": "[300, 500]", "saleable": 0.9,
    "discount": 0.04, "years": 25, "first_crop": 7, "full_crop": 12,
}  # fmt: skip


def text(**changes: object) -> str:
    keys = {**KEYS, **changes}
    return GOOD + "costs: {" + ", ".join(f"{name}: {value}" for name, value in keys.items() if value != "") + "}\n"


def test_costs_are_read(tmp_path):
    spec = loaded(text(chances="[0.5]", stop_year=18), tmp_path).spec.costs
    assert (spec.price_kg, spec.chances, spec.last_year) == ((300, 500), (0.5,), 18)
    assert loaded(text(), tmp_path).spec.costs.last_year == 25


def test_a_plan_has_no_costs_of_its_own(tmp_path):
    assert loaded(GOOD, tmp_path).spec.costs is None


@pytest.mark.parametrize("key", sorted(KEYS))
def test_nothing_that_decides_has_a_default(tmp_path, key):
    (fault,) = faults(text(**{key: ""}), tmp_path)
    assert fault.code == "E304"
    assert key in fault.what


@pytest.mark.parametrize(
    ("key", "value"),
    [("full_crop", 6), ("first_crop", 26), ("stop_year", 26), ("stop_year", 6), ("saleable", 0), ("saleable", 1.1),
     ("chances", "[0]"), ("chances", "[1.2]"), ("price_kg", "[]"), ("price_kg", "[-3]"), ("discount", -0.1),
     ("years", 0), ("wage", -1), ("yields_kg_ha", "[0]"), ("years", 1000)],
)  # fmt: skip
def test_impossible_figures_are_refused_at_their_key(tmp_path, key, value):
    told = faults(text(**{key: value}), tmp_path)
    assert {fault.code for fault in told} <= {"E304", "E310"}
    assert any(f"costs.{key}" in fault.where or "costs" in fault.where or fault.where for fault in told)
    assert told


def test_wild_ground_has_no_break_even(tmp_path):
    wild = text().replace("purpose: buy", "purpose: restore")
    assert loaded(text(), tmp_path).spec.orchard_costs is not None
    assert loaded(wild, tmp_path).spec.orchard_costs is None
