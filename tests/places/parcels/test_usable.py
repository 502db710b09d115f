"""Usable land: what is judged and not excluded, and the rank of what is too small."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underoak.overlay import Rules
from underoak.places.answers.verdict import TooSmall
from underoak.places.parcels.parcel_sums import ParcelSums
from underoak.places.parcels.ranking import large_enough, outranked, rank_parcels
from underoak.places.parcels.usable import usable_land, usable_shares

RULES = Rules((1.0,), rule="linear")
SHARES = st.floats(0.0, 1.0)


def sums_of(area_ha, judged, excluded, suitability):
    """Parcels of ten cells each, of which these shares are judged and excluded."""
    count = len(area_ha)
    area, judged, excluded = np.full(count, 10.0), 10.0 * np.asarray(judged), 10.0 * np.asarray(excluded)
    score = np.asarray(suitability, float) * judged
    blank = np.zeros(count)
    return ParcelSums(
        ids=tuple(f"P{n}" for n in range(count)), refused=(None,) * count, area_ha=np.asarray(area_ha, float),
        area=area, covered=area, judged=judged, excluded=excluded, beyond=blank, suitability=score, shared=blank,
        classes=np.column_stack([judged, blank, blank, blank]), membership=score[:, None], known=judged[:, None],
        weakest=np.column_stack([judged, blank]), gainful=np.column_stack([judged, blank]),
        value=np.zeros((count, 0)), below=np.zeros((count, 0)), above=np.zeros((count, 0)),
        excluded_by=np.zeros((count, 0)),
    )  # fmt: skip


@given(st.floats(0.001, 500.0), SHARES, st.floats(0.005, 2.0))
def test_usable_hectares_are_the_true_area_of_what_is_judged(area, share, least):
    land = usable_land(sums_of([area], [share], [1.0 - share], [0.5]), least)
    assert land.ha[0] == pytest.approx(area * share, rel=1e-8)
    if abs(land.ha[0] - least) > 1e-5:
        assert (land.too_small[0] is TooSmall.AREA) == (area * share < least)


def test_a_sum_that_ends_a_rounding_step_away_is_all_of_the_parcel():
    sums = sums_of([1.0, 1.0], [1.0, 1.0], [0.0, 0.0], [0.5, 0.5])
    sums = replace(sums, judged=np.array([10.0 - 1e-12, 10.0 + 1e-12]))
    assert usable_shares(sums).tolist() == [1.0, 1.0]


def test_a_scrap_ranks_after_the_rest_however_good_it_is():
    # 400 m2 of the best land; 95 % of 1.3 ha excluded, and of 8 ha; a strip where no tree fits; a large poor field
    sums = sums_of(
        [0.04, 1.3, 8.0, 0.4, 3.0], [1, 0.05, 0.05, 1, 1], [0, 0.95, 0.95, 0, 0], [0.99, 0.9, 0.9, 0.97, 0.3]
    )
    land = usable_land(sums, 0.1, np.array([6.0, 8.0, 90.0, 0.0, 1000.0]))
    table = rank_parcels(sums, ("ph",), RULES, usable=land)
    assert table["id"].tolist() == ["P4", "P2", "P0", "P3", "P1"]
    assert table["rank"].tolist() == [1, 2, 3, 4, 5]
    why = dict(zip(table["id"], table["too_small"], strict=True))
    assert why == {
        "P4": None, "P2": None, "P3": TooSmall.TREES, "P0": TooSmall.AREA, "P1": TooSmall.AREA,
    }  # fmt: skip
    assert table["trees"].tolist() == [1000, 90, 6, 0, 8]
    assert table["usable_ha"].tolist() == pytest.approx([3.0, 0.4, 0.04, 0.4, 0.065])
    assert large_enough(table)["id"].tolist() == ["P4", "P2"]


PARCELS = st.lists(
    st.tuples(st.floats(0.01, 5.0), st.floats(0.0, 0.9), SHARES, st.integers(0, 3)), min_size=1, max_size=8
)


@given(PARCELS)
def test_ranks_of_the_rest_are_as_without_the_scraps(parcels):
    area, excluded, suitability, trees = (np.array(column, float) for column in zip(*parcels, strict=True))
    sums = sums_of(area, 1.0 - excluded, excluded, suitability)
    land = usable_land(sums, 0.1, trees)
    table = rank_parcels(sums, ("ph",), RULES, usable=land)
    rest, plain = large_enough(table), rank_parcels(sums, ("ph",), RULES)
    kept = plain[plain["id"].isin(rest["id"])]
    assert rest["id"].tolist() == kept["id"].tolist()
    small = table[table["too_small"].notna()]
    if len(rest) and len(small):
        assert small["rank"].min() > rest["rank"].max()
    assert sorted(table["id"]) == sorted(sums.ids)


@given(PARCELS)
def test_who_ranks_below_a_lower_suitability_is_named(parcels):
    area, excluded, suitability, trees = (np.array(column, float) for column in zip(*parcels, strict=True))
    sums = sums_of(area, 1.0 - excluded, excluded, suitability)
    table = rank_parcels(sums, ("ph",), RULES, usable=usable_land(sums, 0.1, trees))
    values = table["suitability"].tolist()
    expected = [any(before < value - 1e-6 for before in values[:n]) for n, value in enumerate(values)]
    assert outranked(table).tolist() == expected
    for is_below, small, share in zip(expected, table["too_small"], table["excluded_share"], strict=True):
        assert not is_below or isinstance(small, TooSmall) or share > 0.0  # so that a reason can be given


def test_wild_ground_has_no_rows():
    land = usable_land(sums_of([0.02], [1.0], [0.0], [0.5]), 0.01)
    table = rank_parcels(sums_of([0.02], [1.0], [0.0], [0.5]), ("ph",), RULES, usable=land)
    assert "trees" not in table
    assert table["too_small"].tolist() == [None]
