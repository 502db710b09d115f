"""Ranks over weights and data: exact cases, the same by cells as by means, and what is told of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from test_verdicts import plan_of

from underoak.overlay import combine
from underoak.places.parcels.case_reducers import rank_weights
from underoak.places.parcels.cell_sample import SampledCells
from underoak.places.parcels.draws import ParcelDraws
from underoak.places.verdicts.rank_order import MOST_PARCELS, order_of, with_order, write_ranks
from underoak.report.text.verdicts.rank_words import order_lines
from underoak.uncertainty.draws.rank_sums import needs_joint_draws


def sure(memberships, rule="linear"):
    """Parcels without doubt of data: four equal cells each."""
    made = plan(rule)
    given = np.array(memberships, float)
    n = len(given)
    ids = tuple(f"P{i}" for i in range(n))
    ranked = None
    if needs_joint_draws(made.rules):
        rules, weights = made.rules, rank_weights(made, 8, 4096).by_draw
        ranked = np.array([combine(given.T, w.tolist(), rules.rule, alpha=rules.alpha) for w in weights]).T
    spread = ParcelDraws(ids, np.full((n, 8), 0.5), (), np.empty((n, 0, 8)), given, (), np.empty((n, 0, 8)), ranked)
    each = np.repeat(given, 4, axis=0).astype(np.float32)
    cells = SampledCells(np.arange(n + 1) * 4, np.arange(4 * n), np.ones(4 * n), np.ones(4 * n), each, each, each[:, 0])
    ranks = pd.array(range(1, n + 1), "Int64")
    table = pd.DataFrame({"id": list(ids), "rank": ranks, "excluded_share": 0.0, "valid_share": 1.0})
    return table, spread, cells


TRIANGLE = [[1.0, 0.0, 0.5], [0.0, 1.0, 0.5], [0.6, 0.6, 0.5]]
UNIFORM = {"bounds": {"ph": [0.0, 1.0], "water": [0.0, 1.0], "clay": [0.0, 0.0]}, "kind": "bounded"}


def plan(rule="linear", spread=UNIFORM):
    direct = {"ph": 0.5, "water": 0.5, "clay": 0.0}
    return plan_of(weights={"direct": direct, "spread": spread}, combine={"rule": rule})


def test_first_ranks_of_three_parcels_are_the_published_shares():
    table, spread, cells = sure(TRIANGLE)
    made = with_order(table, order_of(plan(), table, spread, cells))
    assert made["first_share"].tolist() == pytest.approx([0.4, 0.4, 0.2], abs=0.015)
    assert made["top3_share"].tolist() == pytest.approx([1.0, 1.0, 1.0])
    assert made["mean_rank"].sum() == pytest.approx(6.0)


@pytest.mark.parametrize("rule", ["geometric", "minimum"])
def test_rules_that_are_not_linear_are_judged_in_joint_draws(rule):
    table, spread, cells = sure([[0.9, 0.1, 0.5], [0.4, 0.4, 0.5]], rule)
    order = order_of(plan(rule), table, spread, cells)
    assert order.is_joint
    assert order_of(plan(rule), table, spread, cells, ["P0"]).ranks.first.tolist() == pytest.approx(
        order.ranks.first.tolist(), abs=1e-9
    )  # judged again on its cells, which are alike
    assert np.isnan(order.ranks.confidence).all()
    w = np.linspace(0.0, 1.0, 100_001)[1:-1]
    first = 0.9**w * 0.1 ** (1 - w) > 0.4 if rule == "geometric" else np.zeros(1)
    assert order.ranks.first[0] == pytest.approx(first.mean(), abs=0.03)


def test_excluded_ground_counts_against_a_parcel():
    table, spread, cells = sure([[0.8, 0.8, 0.5], [0.7, 0.7, 0.5]])
    assert with_order(table, order_of(plan(), table, spread, cells))["first_share"].tolist() == [1.0, 0.0]
    table["excluded_share"] = [0.5, 0.0]
    assert with_order(table, order_of(plan(), table, spread, cells))["first_share"].tolist() == [0.0, 1.0]


def test_a_coin_toss_is_called_one_and_a_lead_is_not():
    table, spread, cells = sure([[1.0, 0.0, 0.5], [0.0, 1.0, 0.5]])
    words = order_lines(order_of(plan(), table, spread, cells))
    assert words[0].startswith("P0 and P1 rank about equally (P0 is ahead in ")
    assert "the standard error of a share is at most 0.177" in words[0]
    table, spread, cells = sure([[1.0, 0.8, 0.5], [0.0, 0.1, 0.5]])
    assert "P0 comes before P1 in 100 % of" in order_lines(order_of(plan(), table, spread, cells))[0]


def test_the_ranks_are_written_for_the_parcels_that_were_ranked(tmp_path):
    table, spread, cells = sure(TRIANGLE)
    write_ranks(tmp_path, order_of(plan(), table, spread, cells), ["a", "b", "c"])
    ranks = pd.read_csv(tmp_path / "ranks.csv")
    central = ["first_error", "confidence", "central_a", "central_b", "central_c"]
    assert ranks.columns.tolist() == ["id", "rank_1", "rank_2", "rank_3", *central]
    assert ranks.iloc[:, 1:4].sum(axis=1).tolist() == pytest.approx([1.0] * 3)
    assert ranks.iloc[:, 1:4].sum(axis=0).tolist() == pytest.approx([1.0] * 3)
    assert ranks.iloc[:, 6:].sum(axis=1).tolist() == pytest.approx([1.0] * 3, abs=1e-5)
    assert ranks["confidence"].between(0.0, 1.0).all()
    assert ranks["first_error"].between(1e-4, 0.2).all()


def test_wins_of_two_parcels_over_each_other_make_one(tmp_path):
    table, spread, cells = sure(TRIANGLE)
    write_ranks(tmp_path, order_of(plan(), table, spread, cells), ["a", "b", "c"])
    wins = pd.read_csv(tmp_path / "wins.csv", index_col="id")
    assert wins.columns.tolist() == [f"before_{id}" for id in wins.index]
    assert sorted(wins.index) == ["P0", "P1", "P2"]
    both = wins.to_numpy()
    assert (both + both.T).ravel().tolist() == pytest.approx([1.0] * 9)


def test_one_parcel_has_no_order():
    table, spread, cells = sure([[1.0, 0.0, 0.5]])
    assert order_of(plan(), table, spread, cells) is None


def test_of_a_great_many_the_best_are_ranked_and_the_others_told():
    rng = np.random.default_rng(1)
    table, spread, cells = sure(rng.random((MOST_PARCELS + 3, 3)), "minimum")
    order = order_of(plan("minimum"), table, spread, cells)
    assert (len(order.ids), order.left_out) == (MOST_PARCELS, 3)
    assert with_order(table, order)["mean_rank"].isna().sum() == 3
    assert "3 were not" in order_lines(order)[1]


def test_bounds_of_weights_that_cannot_be_are_told():
    import underoak as uo

    with pytest.raises(uo.UnderoakError) as caught:
        plan(spread={"kind": "bounded", "bounds": {"ph": [0.0, 0.1], "water": [0.0, 0.1], "clay": [0.0, 0.1]}})
    assert [fault.code for fault in caught.value.faults] == ["E361"]
    with pytest.raises(uo.UnderoakError) as caught:
        plan(spread={"kind": "bounded", "bounds": {"pg": [0.0, 0.9]}})
    assert [fault.code for fault in caught.value.faults] == ["E315"]
    with pytest.raises(uo.UnderoakError) as caught:
        plan(spread={"kind": "uniform", "strength": 3})
    assert [fault.code for fault in caught.value.faults] == ["E304"]


def test_the_kinds_of_spread_are_those_of_the_plan():
    assert plan(spread=None).weight_spread.first == (20.0, 20.0, 0.0)
    assert plan(spread={"kind": "dirichlet", "strength": 10}).weight_spread.first == (5.0, 5.0, 0.0)
    assert plan(spread={"kind": "uniform"}).weight_spread.kind == "uniform"
    assert plan(spread={"kind": "ranked"}).weight_spread.first == (0.0, 0.0, 2.0)


@pytest.mark.parametrize("spread_kind", [UNIFORM, {"kind": "ranked"}, {"kind": "dirichlet", "strength": 6}], ids=str)
def test_the_order_of_criteria_changes_no_bit_of_the_linear_ranks(tmp_path, spread_kind):
    rng = np.random.default_rng(4)
    given = rng.random((6, 3))
    tables = []
    for order in ([0, 1, 2], [2, 0, 1], [1, 2, 0]):
        direct = {"ph": 0.4, "water": 0.4, "clay": 0.2}
        names = [list(direct)[k] for k in order]
        made = plan_of(weights={"direct": direct, "spread": spread_kind})
        made = replace(made, criteria=tuple(made.criteria[k] for k in order))
        made = replace(made, rules=replace(made.rules, weights=tuple(made.rules.weights[k] for k in order)))
        table, spread, cells = sure(given[:, order])
        folder = tmp_path / str(order)
        folder.mkdir()
        write_ranks(folder, order_of(made, table, spread, cells), names)
        tables.append(pd.read_csv(folder / "ranks.csv", dtype=str))
    for table in tables[1:]:
        assert table[tables[0].columns].equals(tables[0])


def test_where_no_layer_is_drawn_the_sampled_cells_are_judged_under_the_drawn_weights():
    table, spread, cells = sure([[0.9, 0.1, 0.5], [0.4, 0.4, 0.5]], "geometric")
    order = order_of(plan("geometric"), table, replace(spread, ranked=None), cells)
    w = np.linspace(0.0, 1.0, 100_001)[1:-1]
    expected = (0.9**w * 0.1 ** (1 - w) > 0.4).mean()
    assert order.ranks.first[0] == pytest.approx(expected, abs=4 * order.error)
    assert order.ranks.draws == 256
