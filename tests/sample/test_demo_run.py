"""The demo from end to end: what its README promises of the awkward parcels comes out of a run."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import underoak as uo

PLAN = Path(__file__).parents[2] / "configs" / "plans" / "demo.yaml"


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    return uo.run(uo.load_plan(PLAN), out=tmp_path_factory.mktemp("demo") / "out")


def looked_at(plan):
    """Share of the profile's weight on criteria that are judged with a weight."""
    weights = {name: criterion.weight for name, criterion in plan.profile.criteria.items()}
    return sum(weights[c.name] for c in plan.criteria if c.weight > 0) / sum(weights.values())


@pytest.fixture(scope="module")
def table(demo):
    return demo.parcels.set_index("id")


def test_every_parcel_has_a_row_under_its_id_as_text(table):
    assert len(table) == 40
    assert {"007", "1e3", "035"} <= set(table.index)


def test_a_few_places_are_good_and_most_are_not(demo):
    codes = np.asarray(demo.dataset["class"])
    share = {code: float((codes == code).sum() / (codes <= 4).sum()) for code in (1, 2, 3, 4)}
    assert 0.05 < share[1] < 0.25
    assert all(share[code] > 0.05 for code in (2, 3, 4))


def test_parcels_spread_over_all_classes(table):
    assert set(table["class"].dropna()) == {"S1", "S2", "S3", "N"}


def test_parcel_in_the_soil_gap_is_not_judged_and_says_why(table):
    assert table["rank"].isna().sum() == 1
    assert np.isnan(table["rank"].astype(float)["037"])
    assert table["reason"]["037"] == "no data of soil_ph; clay; sand; organic_matter"


def test_built_up_parcel_is_mostly_excluded_and_ranks_below_its_score(table):
    assert 0.6 < table["excluded_share"]["038"] < 0.95
    better = table[table["suitability"] < table["suitability"]["038"]]
    assert (better["rank"].astype(float) < float(table["rank"]["038"])).any()


def test_parcel_over_the_border_is_judged_on_the_part_inside(table):
    assert 0.5 < table["valid_share"]["036"] < 0.7


def test_parcel_smaller_than_a_cell_is_judged(table):
    assert table["area_ha"]["034"] < 0.09
    assert 0 <= table["suitability"]["034"] <= 1


def test_hole_is_no_part_of_its_parcel(table):
    # 310 m by 230 m less a yard of 70 m by 60 m.
    assert table["area_ha"]["007"] == pytest.approx((310 * 230 - 70 * 60) / 1e4, rel=2e-3)


def test_lime_and_water_are_what_limits(table):
    limits = set(table["limiting"].dropna())
    assert {"ph", "clay", "water"} <= limits


def test_soil_that_was_not_given_is_said_to_be_not_judged():
    idle = {item.name for item in uo.load_plan(PLAN).not_judged}
    assert {"soil_depth", "wetness_depth", "stones"} <= idle


def test_the_demo_looks_at_three_quarters_of_what_its_profile_weighs():
    assert looked_at(uo.load_plan(PLAN)) > 0.75
