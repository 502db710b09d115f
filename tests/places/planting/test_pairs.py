"""Truffle and host: no pair that cannot live, a worse pair changes nothing, ties in plan order."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from underoak.base.grid import Grid
from underoak.places.answers.native import Origin
from underoak.places.columns.column import encode_table
from underoak.places.columns.parcels import PARCELS
from underoak.places.planting.pairs import (
    PairScores,
    choose,
    hosts_in,
    hosts_of,
    likelihood,
    origins_at,
    pair_columns,
    pairs_of,
)
from underoak.places.wild.native_range import native_range
from underoak.plan import load_plan, load_profile

CUT = 0.25
WORTH = st.floats(0.0, 1.0)


def plan(species, hosts=(), purpose="region"):
    extra = {"zones": {"at_least": "S3"}} if purpose == "restore" else {}
    return load_plan(
        {
            "format": 1, "title": "A hill", "purpose": purpose, "species": [species], "hosts": list(hosts),
            "region": {"bounds": [0, 0, 3000, 3000], "crs": "EPSG:25831", "cell": "30 m"},
            "layers": {"soil_ph": {"file": "ph.tif", "unit": "pH*10"}}, **extra,
        }
    )  # fmt: skip


def judged(plans, suitability, **more):
    """The table as its file holds it."""
    scores = PairScores(tuple(plans), np.array(suitability, float), **({"origins": ()} | more))
    return encode_table(pair_columns(scores), PARCELS)


BLACK, SUMMER, WHITE = plan("tuber_melanosporum"), plan("tuber_aestivum"), plan("tuber_magnatum")


@given(st.lists(st.tuples(WORTH, WORTH, WORTH), min_size=1, max_size=5))
def test_a_tree_that_is_no_host_is_never_chosen(rows):
    table = judged([BLACK, SUMMER, WHITE], rows)
    hosts = {plan.species: {host.name for host in plan.profile.hosts} for plan in (BLACK, SUMMER, WHITE)}
    for _, row in table.iterrows():
        if row["best_species"] == "no pair":
            assert row["best_host"] == "no pair"
            continue
        species = row["best_species"].split("; ")
        for host in row["best_host"].split("; "):
            own, _, name = host.rpartition(" with ")
            assert name in hosts[own or species[0]]
        for pair in (row["runner_up"] or "").split("; "):
            own, _, name = pair.rpartition(" with ")
            assert not pair or name in hosts[own]


def test_a_truffle_without_any_of_the_plans_hosts_makes_no_pair():
    poplar = plan("tuber_magnatum", ["populus_alba"])
    assert [pair.host.name for pair in pairs_of([poplar])] == ["populus_alba"]
    both = load_plan(poplar.spec.model_dump(by_alias=True, exclude_none=True) | {
        "species": ["tuber_melanosporum", "tuber_magnatum"]
    })  # fmt: skip
    table = judged(list(both.cases), [[0.9, 0.3], [0.9, 0.1]])
    assert table["best_species"].tolist() == ["tuber_magnatum", "no pair"]
    assert table["best_host"].tolist() == ["populus_alba", "no pair"]


@given(st.lists(WORTH, min_size=1, max_size=6), st.floats(0.001, 0.5))
def test_adding_a_worse_pair_changes_nothing(values, worse):
    best, after = choose(values, CUT)
    least = min((values[i] for i in after or best), default=CUT)
    added = choose([*values, max(least - worse, 0.0)], CUT)
    assert added[0] == best
    if after:
        assert added[1] == after


@given(st.lists(WORTH, min_size=1, max_size=8))
def test_best_and_runner_up_are_what_sorting_finds(values):
    best, after = choose(values, CUT)
    fine = sorted({value for value in values if value >= CUT}, reverse=True)
    assert bool(best) == bool(fine)
    if fine:
        assert max(values[i] for i in best) == fine[0]
        assert list(best) == sorted(best)
        assert not after or all(values[i] < fine[0] for i in after)


def test_ties_stand_in_the_order_of_the_plan():
    named = plan("tuber_melanosporum", ["corylus_avellana", "quercus_petraea", "quercus_ilex"])
    assert [host.name for host in hosts_of(named)] == ["corylus_avellana", "quercus_petraea", "quercus_ilex"]
    table = judged([named], [[0.5]])
    assert table["best_host"][0] == "corylus_avellana; quercus_ilex"
    assert (table["pair"][0], table["runner_up"][0]) == (0.5, "quercus_petraea")
    assert table["runner_up_pair"][0] == pytest.approx(0.4)


def test_two_truffles_that_tie_are_both_named_with_their_hosts():
    oak = [plan(name, ["quercus_pubescens"]) for name in ("tuber_melanosporum", "tuber_aestivum")]
    table = judged(oak, [[0.6, 0.6], [0.6, 0.5]])
    assert table["best_species"].tolist() == ["tuber_melanosporum; tuber_aestivum", "tuber_melanosporum"]
    assert table["best_host"][0] == "tuber_melanosporum with quercus_pubescens; tuber_aestivum with quercus_pubescens"
    assert table["runner_up"].tolist() == [None, "tuber_aestivum with quercus_pubescens"]


def test_below_the_cut_of_s3_or_not_judged_there_is_no_pair():
    table = judged([BLACK], [[0.25], [0.249], [np.nan]])
    assert (table["best_host"] == "no pair").tolist() == [False, True, True]
    assert table["pair"].notna().tolist() == [True, False, False]
    weak = judged([plan("tuber_melanosporum", ["quercus_cerris"])], [[0.3]])
    assert weak["best_host"][0] == "no pair"  # 0.3 x 0.8 lies below


def test_likelihood_counts_shared_draws_in_which_a_pair_wins_and_is_good_enough():
    draws = [[[0.6, 0.5], [0.4, 0.5], [0.2, 0.1], [0.5, 0.5]]]
    assert likelihood(draws, [1.0, 1.0], [[0]], CUT).tolist() == [0.5]  # a tie counts for both
    assert likelihood(draws, [1.0, 0.8], [[0]], CUT).tolist() == [0.75]  # 0.4 against 0.4
    assert np.isnan(likelihood(draws, [1.0, 1.0], [[]], CUT)).all()
    assert np.isnan(likelihood([[[np.nan], [np.nan]]], [1.0], [[0]], CUT)).all()
    table = judged([BLACK, SUMMER], [[0.5, 0.4]], draws=np.array(draws))
    assert table["p_pair"].tolist() == [0.5]
    assert "p_pair" not in judged([BLACK, SUMMER], [[0.5, 0.4]])


def test_origins_are_told_of_species_and_hosts():
    pecan = plan("tuber_lyonii", ["corylus_avellana"])
    told = judged([pecan], [[0.9], [0.9]], origins=([Origin.NATIVE, Origin.INTRODUCED],))["origin"].tolist()
    assert told == [
        "tuber_lyonii: native; corylus_avellana: introduced",
        "tuber_lyonii: introduced; corylus_avellana: origin unknown",
    ]


def test_an_introduced_host_is_not_for_wild_ground():
    names = [host.name for host in hosts_of(plan("tuber_lyonii", purpose="restore"))]
    assert "corylus_avellana" not in names
    assert "carya_illinoinensis" in names


def test_whether_a_truffle_is_native_follows_its_range():
    grid = Grid("EPSG:25832", (30.0, 0.0, 400_000.0, 0.0, -30.0, 4_960_000.0), 1000, 1000)  # Piedmont
    shapes = np.array([shapely.box(410_000, 4_940_000, 410_100, 4_940_100), None], object)
    assert origins_at(native_range("tuber_magnatum").on(grid), shapes) == [Origin.NATIVE, None]
    assert origins_at(native_range("tuber_lyonii").on(grid), shapes) == [Origin.INTRODUCED, None]


def test_hosts_that_do_not_grow_there_are_not_proposed_unless_the_plan_names_them():
    profile, teruel, gotland = load_profile("tuber_aestivum"), (-0.8, 40.1), (18.3, 57.6)
    every = {host.name for host in hosts_in(profile, [], "orchard")}
    south, north = ({host.name for host in hosts_in(profile, [], "orchard", at)} for at in (teruel, gotland))
    assert north < every
    assert {"quercus_ilex", "pinus_halepensis"} <= south - north
    assert "corylus_avellana" in south & north
    named = ["quercus_ilex", "corylus_avellana"]
    assert [host.name for host in hosts_in(profile, named, "buy", gotland)] == named
    assert [host.name for host in hosts_in(profile, named, "restore", gotland)] == ["corylus_avellana"]
