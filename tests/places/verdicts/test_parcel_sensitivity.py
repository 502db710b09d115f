"""What would turn the order of the first two parcels, and what a parcel depends on."""

import numpy as np
import pandas as pd
import pytest

from underoak.overlay import Curve, Rules, combine
from underoak.places import SampledCells, sensitivity_of, swap_of_first_two

RAMP = Curve.ramp_up(0.0, 1.0)


def cells_of(*parcels, weight=None):
    """Sampled cells of parcels given as (cells, criteria) memberships; values are the memberships themselves."""
    memberships = np.concatenate(parcels).astype(np.float32)
    count = len(memberships)
    offsets = np.cumsum([0, *map(len, parcels)])
    weights = np.ones(count) if weight is None else np.asarray(weight, float)
    nothing = np.zeros(count, np.float32)
    return SampledCells(offsets, np.arange(count), np.ones(count), weights, memberships, memberships, nothing)


def table_of(cells, rules, excluded=(0.0, 0.0)):
    """The two parcels as the ranking gives them: by cells, exactly."""
    settings = (rules.weights, rules.rule, rules.order_weights, rules.alpha, rules.missing)
    rows = []
    for i, share in enumerate(excluded):
        part = cells.of(i)
        made = combine(cells.memberships[part].T, *settings)
        row = {"id": f"p{i}", "suitability": np.average(made, weights=cells.weight[part]), "excluded_share": share}
        means = np.average(cells.memberships[part], axis=0, weights=cells.weight[part])
        rows.append(row | {f"membership_{name}": mean for name, mean in zip("abc", means, strict=False)})
    table = pd.DataFrame(rows)
    worth = table["suitability"] * (1 - table["excluded_share"])
    table["rank"] = worth.rank(ascending=False).astype("Int64")
    return table.sort_values("rank").reset_index(drop=True)


def worth(cells, i, rules, weights, share):
    made = combine(cells.memberships[cells.of(i)].T, weights, rules.rule, rules.order_weights, rules.alpha)
    return np.average(made, weights=cells.weight[cells.of(i)]) * (1 - share)


@pytest.mark.parametrize(("rule", "alpha"), [("linear", None), ("geometric", None), ("ordered", 1.5)])
@pytest.mark.parametrize("excluded", [(0.0, 0.0), (0.1, 0.02)])
def test_with_the_swapped_weights_the_two_parcels_are_level(rule, alpha, excluded):
    rng = np.random.default_rng(2)
    cells = cells_of(rng.uniform(0.5, 1, (30, 3)) * [1, 0.9, 0.7], rng.uniform(0.5, 1, (20, 3)) * [0.75, 0.9, 1],
                     weight=rng.uniform(0.1, 1, 50))  # fmt: skip
    rules = Rules((0.5, 0.3, 0.2), rule, alpha=alpha)
    found = swap_of_first_two(table_of(cells, rules, excluded), ["p0", "p1"], cells, "abc", rules)
    now = [worth(cells, i, rules, rules.weights, excluded[i]) for i in (0, 1)]
    assert (found.first, found.second) == (("p0", "p1") if now[0] > now[1] else ("p1", "p0"))
    then = [worth(cells, i, rules, found.swap.weights, excluded[i]) for i in (0, 1)]
    assert then[0] == pytest.approx(then[1], abs=1e-6)
    assert abs(found.swap.change) > 1e-3


def test_a_parcel_that_is_better_in_everything_cannot_be_passed():
    cells = cells_of(np.full((4, 3), 0.9), np.full((4, 3), 0.5))
    for rule in ("linear", "geometric"):
        rules = Rules((0.5, 0.3, 0.2), rule)
        assert swap_of_first_two(table_of(cells, rules), ["p0", "p1"], cells, "abc", rules).swap is None


def test_where_weights_mean_nothing_or_there_is_no_second_nothing_is_said():
    cells = cells_of(np.full((4, 2), 0.9), np.full((4, 2), 0.5))
    table = table_of(cells, Rules((1, 1)))
    for rules in (Rules((1, 1), "minimum"), Rules((1, 1), "ordered", order_weights=(0.7, 0.3))):
        assert swap_of_first_two(table, ["p0", "p1"], cells, "ab", rules) is None
    assert swap_of_first_two(table.head(1), ["p0", "p1"], cells, "ab", Rules((1, 1))) is None


def test_shares_go_by_the_squares_of_what_layers_do_while_curves_are_straight():
    cells = cells_of(np.array([[0.5, 0.5, 0.5]]))
    criteria = [("ph", Curve.ramp_up(0.0, 1.0)), ("clay", RAMP), ("rock", RAMP)]
    found = sensitivity_of(cells, 0, criteria, Rules((0.5, 0.3, 0.2)), {"ph": 0.02, "clay": 0.05})
    assert found.layers == ("ph", "clay")
    parts = np.array([0.5 * 0.02, 0.3 * 0.05]) ** 2
    assert found.indices.first == pytest.approx(parts / parts.sum(), abs=0.01)
    assert found.indices.variance == pytest.approx(parts.sum(), rel=0.01)
    assert found.swings[0] == pytest.approx([0.5 - 1.644854 * 0.01, 0.5 + 1.644854 * 0.01], abs=1e-6)


def test_a_layer_that_feeds_two_criteria_is_off_in_both_alike():
    """One goes up as much as the other goes down: nothing is left."""
    cells = cells_of(np.array([[0.5, 0.5]]))
    criteria = [("ph", Curve.ramp_up(0.0, 1.0)), ("ph", Curve.ramp_down(0.0, 1.0))]
    found = sensitivity_of(cells, 0, criteria, Rules((1, 1)), {"ph": 0.05})
    assert found.indices.variance == pytest.approx(0.0, abs=1e-12)


def test_full_membership_far_from_its_corners_hides_the_doubt():
    cells = cells_of(np.array([[5.0, 0.5]]))  # values; memberships of them do not matter here
    found = sensitivity_of(cells, 0, [("ph", RAMP), ("clay", RAMP)], Rules((0.9, 0.1)), {"ph": 0.5, "clay": 0.05})
    assert found.indices.first == pytest.approx([0.0, 1.0], abs=0.01)


def test_many_cells_are_judged_in_pieces_as_in_one():
    values, weight = np.random.default_rng(4).uniform(0, 1, (50, 2)), np.linspace(0.1, 1, 50)
    ask = (0, [("a", RAMP), ("b", RAMP)], Rules((0.6, 0.4), "geometric"), {"a": 0.1, "b": 0.2})
    few = sensitivity_of(cells_of(values, weight=weight), *ask, points=64)
    times = 200  # the same cells so often that a piece holds few of the draws
    many = sensitivity_of(cells_of(np.tile(values, (times, 1)), weight=np.tile(weight, times)), *ask, points=64)
    assert many.indices.first == pytest.approx(few.indices.first, rel=1e-9)


def test_nothing_in_doubt_or_nothing_judged_is_no_answer():
    cells = cells_of(np.empty((0, 1)), np.array([[0.5]]))
    assert sensitivity_of(cells, 0, [("ph", RAMP)], Rules((1,)), {"ph": 0.1}) is None
    assert sensitivity_of(cells, 1, [("ph", RAMP)], Rules((1,)), {"clay": 0.1, "ph": 0.0}) is None
