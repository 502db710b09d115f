"""From sums to the table: who is judged and why not, ranks, classes, limiting factors, gain."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from underoak.overlay import Curve, Rules
from underoak.places.answers.limits import NoLimit
from underoak.places.answers.not_judged import Cause, NotJudged
from underoak.places.columns.column import encode_table
from underoak.places.columns.parcels import PARCELS
from underoak.places.parcels.parcel_sums import ParcelSums
from underoak.places.parcels.ranking import rank_parcels

CRITERIA = ("ph", "water", "slope")
RULES = Rules((0.5, 0.3, 0.2))


def totals(n=1, **given):
    """Sums of parcels of 10 cells, all judged at 0.6, limited by ph; what is given wins."""
    figures = {
        "ids": tuple(f"F{i}" for i in range(n)),
        "refused": (None,) * n,
        "area_ha": [0.9] * n,
        "area": [10.0] * n,
        "covered": [10.0] * n,
        "judged": [10.0] * n,
        "excluded": [0.0] * n,
        "beyond": [0.0] * n,
        "suitability": [6.0] * n,
        "shared": [0.0] * n,
        "classes": [[0.0, 10.0, 0.0, 0.0]] * n,
        "membership": [[6.0, 6.0, 6.0]] * n,
        "known": [[10.0, 10.0, 10.0]] * n,
        "weakest": [[10.0, 0.0, 0.0, 0.0]] * n,
        "gainful": [[10.0, 0.0, 0.0, 0.0]] * n,
        "value": [[]] * n,
        "below": [[]] * n,
        "above": [[]] * n,
        "excluded_by": [[]] * n,
    } | given
    return ParcelSums(**{k: v if k in ("ids", "refused") else np.array(v, float) for k, v in figures.items()})


def ranked(*args, **settings):
    """The table as its file holds it."""
    return encode_table(rank_parcels(*args, **settings), PARCELS)


def one(rules=RULES, **given):
    (row,) = ranked(
        totals(**{k: v if k in ("ids", "refused") else [v] for k, v in given.items()}), CRITERIA, rules
    ).to_dict("records")
    return row


def test_a_parcel_judged_all_over():
    row = one()
    assert (row["rank"], row["suitability"], row["class"]) == (1, 0.6, "S2")
    assert (row["valid_share"], row["excluded_share"], row["cells"], row["area_ha"]) == (1.0, 0.0, 10.0, 0.9)
    assert (row["share_s1"], row["share_s2"], row["share_s3"], row["share_n"]) == (0.0, 1.0, 0.0, 0.0)
    assert row["reason"] is None


@pytest.mark.parametrize(
    ("given", "valid_share", "reason"),
    [
        ({"judged": 5.0, "suitability": 3.0}, 0.5, None),
        ({"judged": 4.9, "suitability": 3.0}, 0.49, "no data"),
        ({"judged": 0.0, "suitability": 0.0}, 0.0, "no data"),
        ({"covered": 0.0, "judged": 0.0, "suitability": 0.0}, 0.0, "outside the map"),
        ({"covered": 4.0, "judged": 4.0, "suitability": 2.4}, 0.4, "outside the map"),
        ({"covered": 8.0, "judged": 4.0, "suitability": 2.4}, 0.4, "no data"),
        ({"judged": 4.0, "suitability": 2.4, "beyond": 6.0}, 0.4, "outside the map"),
        ({"judged": 4.0, "suitability": 2.4, "excluded": 4.0}, 4 / 6, None),
        ({"judged": 2.0, "suitability": 1.2, "excluded": 4.0}, 2 / 6, "no data"),
        ({"judged": 1.0, "suitability": 0.6, "excluded": 6.0}, 1 / 4, "mostly excluded"),
        ({"judged": 0.0, "suitability": 0.0, "excluded": 10.0}, None, "excluded entirely"),
    ],
)
def test_less_than_half_known_of_what_is_not_excluded_is_not_judged(given, valid_share, reason):
    row = one(**given)
    assert row["reason"] == reason
    assert pd.isna(row["valid_share"]) if valid_share is None else row["valid_share"] == pytest.approx(valid_share)
    if reason:
        blank = ("rank", "suitability", "class", "share_s1", "limiting", "most_gainful", "gain", "membership_ph")
        assert all(pd.isna(row[name]) for name in blank)
    else:
        assert row["rank"] == 1
        assert row["suitability"] == pytest.approx(0.6)


@pytest.mark.parametrize(
    ("held", "by"), [([7.0, 2.0], "built"), ([3.0, 6.0], "steep"), ([7.0, 7.0], "built; steep"), ([0.0, 0.0], None)]
)
def test_a_parcel_that_is_mostly_excluded_names_the_constraint(held, by):
    figures = totals(judged=[1.0], suitability=[0.6], excluded=[7.0], excluded_by=[held])
    (row,) = ranked(figures, CRITERIA, RULES, constraints=("built", "steep")).to_dict("records")
    assert row["excluded_by"] == by
    assert row["reason"] == (f"mostly excluded by {by}" if by else "mostly excluded")
    figures = totals(judged=[0.0], suitability=[0.0], excluded=[10.0], excluded_by=[held])
    (row,) = ranked(figures, CRITERIA, RULES, constraints=("built", "steep")).to_dict("records")
    assert row["reason"] == (f"excluded entirely by {by}" if by else "excluded entirely")


@pytest.mark.parametrize(
    ("below", "above", "side"), [(3.0, 1.0, "low"), (1.0, 3.0, "high"), (0.0, 0.0, None), (2.0, 2.0, None)]
)
def test_the_side_is_that_on_which_most_is_lost(below, above, side):
    curves = (Curve.hump(7, 7.5, 8.3, 8.8), Curve.ramp_up(0, 1), Curve.table({1: 1.0}))
    sums = totals(value=[[74.0, 5.0, 10.0]], below=[[below, 0.0, 0.0]], above=[[above, 0.0, 0.0]])
    (row,) = ranked(sums, CRITERIA, RULES, curves).to_dict("records")
    assert (row["value_ph"], row["side_ph"]) == (7.4, side)
    assert "value_slope" not in row


@pytest.mark.parametrize(
    ("means", "essential", "cap", "expected"),
    [  # class, what holds it, limiting; the score is S1 throughout
        ([0.9, 0.8, 0.76], (), "weakest", ("S1", None, "ph")),
        ([0.9, 0.8, 0.44], (), "weakest", ("S2", "slope", "ph")),
        ([0.9, 0.8, 0.44], (), "none", ("S1", None, "ph")),
        ([0.9, 0.8, 0.44], (2,), "weakest", ("S3", "slope", "slope")),
        ([0.9, 0.8, 0.44], (2,), "none", ("S3", "slope", "slope")),
        ([0.9, 0.8, 0.44], (0, 1), "weakest", ("S2", "slope", "ph")),
        ([0.6, 0.8, 0.44], (0,), "weakest", ("S2", "ph; slope", "ph")),
        ([0.6, 0.6, 0.8], (0, 1), "weakest", ("S2", "ph; water", "ph; water")),
        ([0.6, 0.3, 0.8], (0, 1), "none", ("S3", "water", "water")),
        ([np.nan, 0.8, 0.9], (0,), "none", ("S1", None, "ph")),  # without data it holds nothing
    ],
)
def test_a_class_below_that_of_the_score_names_what_holds_it(means, essential, cap, expected):
    known = [0.0 if m != m else 10.0 for m in means]
    membership = [0.0 if m != m else 10.0 * m for m in means]
    rules = Rules((0.5, 0.3, 0.2), missing="renormalise", cap=cap, essential=essential)
    row = one(rules, suitability=8.1, membership=membership, known=known, weakest=[6.0, 0.0, 3.0, 1.0])
    assert (row["class"], row["held_by"], row["limiting"]) == expected
    share = {"ph": 0.6, "slope": 0.3}.get(expected[2])
    if share is not None:
        assert row["limiting_share"] == pytest.approx(share)


def test_an_essential_criterion_without_weight_holds_a_parcel():
    rules = Rules((0.6, 0.0, 0.4), essential=(1,))
    row = one(rules, suitability=9.0, membership=[9.0, 1.0, 9.0])
    assert (row["class"], row["held_by"], row["limiting"]) == ("N", "water", "water")


def test_a_parcel_without_a_shape_says_so():
    row = one(
        refused=(NotJudged(Cause.NO_SHAPE, note="a Point, no polygon"),),
        area=0.0,
        covered=0.0,
        judged=0.0,
        area_ha=np.nan,
    )
    assert row["reason"] == "no shape: a Point, no polygon"
    assert pd.isna(row["valid_share"])
    assert pd.isna(row["rank"])


def test_rank_counts_the_excluded_share_against_a_parcel():
    # 0.8 on half of the ground ranks below 0.6 on all of it, and says 0.8 all the same
    table = ranked(totals(2, judged=[5.0, 10.0], excluded=[5.0, 0.0], suitability=[4.0, 6.0]), CRITERIA, RULES)
    assert table["id"].tolist() == ["F1", "F0"]
    assert table["rank"].tolist() == [1, 2]
    assert table["suitability"].tolist() == [0.6, 0.8]


def test_equal_values_share_a_rank_and_ids_order_the_rows():
    ids = ("b", "a", "10", "9", "z")
    sums = [6.0, 6.0 + 5e-6, 7.0, 6.0, 5.0]
    table = ranked(totals(5, ids=ids, suitability=sums), CRITERIA, RULES)
    assert table["id"].tolist() == ["10", "9", "a", "b", "z"]
    assert table["rank"].tolist() == [1, 2, 2, 2, 5]


def test_near_values_do_not_chain_into_one_rank():
    sums = [6.0, 6.0 - 8e-6, 6.0 - 16e-6]  # means 0.8e-6 apart: the third is too far from the first
    assert ranked(totals(3, suitability=sums), CRITERIA, RULES)["rank"].tolist() == [1, 1, 3]


def test_unjudged_parcels_follow_by_id_without_a_rank():
    table = ranked(totals(3, judged=[0.0, 10.0, 0.0], ids=("c", "b", "a")), CRITERIA, RULES)
    assert table["id"].tolist() == ["b", "a", "c"]
    assert table["rank"].isna().tolist() == [False, True, True]
    assert str(table["rank"].dtype) == "Int64"


@pytest.mark.parametrize(
    ("mean", "least", "expected"),
    [
        (0.75, 0.75, "S1"),
        (0.74999, 0.7, "S2"),
        (0.75 - 1e-12, 0.7, "S1"),  # the last digits of a sum
        (0.9, 0.2, "S3"),
        (0.9, 0.25, "S2"),
        (0.9, 0.5, "S1"),
        (0.3, 0.1, "S3"),
        (0.1, 0.0, "N"),
    ],
)
def test_the_class_is_that_of_the_mean_held_by_the_weakest_criterion(mean, least, expected):
    figures = {"suitability": 10 * mean, "membership": [9.5, 10 * least, 9.5]}
    assert one(**figures)["class"] == expected


def test_nothing_holds_the_class_where_the_cap_is_off_or_the_weight_is_zero():
    figures = {"suitability": 9.0, "membership": [9.5, 1.0, 9.5]}
    assert one(**figures)["class"] == "S3"
    assert one(Rules((0.5, 0.3, 0.2), cap="none"), **figures)["class"] == "S1"
    assert one(Rules((0.5, 0.0, 0.5)), **figures)["class"] == "S1"


def test_limiting_is_the_most_common_and_ties_are_all_named():
    row = one(weakest=[3.0, 4.0, 3.0, 0.0], gainful=[4.0, 2.0, 4.0 - 5e-6, 0.0])
    assert (row["limiting"], row["limiting_share"]) == ("water", 0.4)
    assert (row["most_gainful"], row["most_gainful_share"]) == ("ph; slope", 0.4)
    row = one(weakest=[3.0, 0.0, 0.0, 7.0], gainful=[0.0, 0.0, 0.0, 10.0])
    assert (row["limiting"], row["limiting_share"]) == ("nothing limits", 0.7)
    assert row["gain"] == 0.0


def test_gain_is_what_the_score_grows_by_with_the_criterion_mended():
    row = one(membership=[4.0, 8.0, 9.0], gainful=[10.0, 0.0, 0.0, 0.0])
    assert row["gain"] == pytest.approx(0.5 * 0.6)
    geometric = one(Rules((0.5, 0.3, 0.2), "geometric"), membership=[4.0, 8.0, 9.0])
    assert geometric["gain"] == pytest.approx(0.8**0.3 * 0.9**0.2 * (1.0 - 0.4**0.5), rel=1e-9)


def test_a_criterion_known_on_part_of_the_ground_is_averaged_there():
    row = one(Rules((0.5, 0.3, 0.2), missing="renormalise"), membership=[2.0, 6.0, 0.0], known=[4.0, 10.0, 0.0])
    assert row["membership_ph"] == 0.5
    assert row["membership_water"] == 0.6
    assert pd.isna(row["membership_slope"])
    assert row["class"] == "S2"  # a criterion nobody knows does not hold the class


def test_names_that_differ_by_case_only_keep_columns_apart():
    columns = ranked(totals(), ("ph", "pH", "slope"), RULES).columns
    assert list(columns[-3:]) == ["membership_ph", "membership_pH_2", "membership_slope"]


def test_limits_are_names_and_nothing_limits_is_none_of_them():
    sums = totals(2, weakest=[[4.0, 4.0, 2.0, 0.0], [3.0, 0.0, 0.0, 7.0]])
    limits = rank_parcels(sums, CRITERIA, RULES)["limiting"].tolist()
    assert limits == [("ph", "water"), (NoLimit.NOTHING,)]
    assert limits[1][0] is NoLimit.NOTHING


def test_no_parcels_make_an_empty_table():
    empty = {
        k: np.zeros((0, w))
        for k, w in (
            ("classes", 4),
            ("membership", 3),
            ("known", 3),
            ("weakest", 4),
            ("gainful", 4),
            ("value", 0),
            ("excluded_by", 0),
        )
    }
    assert len(ranked(totals(0, **empty), CRITERIA, RULES)) == 0
