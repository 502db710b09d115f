"""Many judgements at once are many judgements: against the overlay itself, draw by draw."""

import numpy as np
import pytest

from underoak.overlay import Curve, Rules, combine, judge, membership
from underoak.uncertainty.draws.draw_overlay import CellGroups, DrawnCriterion, GroupSums, SourceWeights, judge_draws
from underoak.uncertainty.draws.rank_sums import RankWeights
from underoak.uncertainty.draws.weight_draws import WeightDistribution

CELLS, SOURCES, DRAWS = 700, 40, 64
CURVES = (Curve.hump(4.5, 5.8, 6.8, 8.2), Curve.bell(6.0, 1.0), Curve.steps([5.0, 6.5], [0.0, 1.0, 0.4]))
RULES = [
    Rules((0.4, 0.3, 0.2, 0.1)),
    Rules((0.4, 0.3, 0.2, 0.1), "geometric"),
    Rules((0.4, 0.3, 0.2, 0.1), "minimum"),
    Rules((0.4, 0.3, 0.2, 0.1), "ordered", alpha=2.0),
    Rules((1, 1, 1, 1), "ordered", order_weights=(0.1, 0.2, 0.3, 0.4)),
    Rules((0.4, 0.3, 0.0, 0.3), "geometric", missing="renormalise"),
    Rules((0.4, 0.3, 0.2, 0.1), cap="none"),
    Rules((0.4, 0.3, 0.2, 0.1), cap="none", essential=(0, 3)),
    Rules((0.4, 0.0, 0.3, 0.3), "geometric", essential=(1,), missing="renormalise"),
    Rules((0.4, 0.3, 0.2, 0.1), "minimum", essential=(2,), cuts=(0.8, 0.55, 0.3)),
    Rules((0.4, 0.3, 0.2, 0.1), "ordered", alpha=2.0, essential=(1,)),
]


def ground(seed=0, renormalise=False):
    """Taps of one, four and some source cells; memberships as judged on the layers' own values; what is judged."""
    rng = np.random.default_rng(seed)
    tables = [rng.normal(6.0, 0.9, (SOURCES, DRAWS)).astype(np.float32) for _ in CURVES]
    tables[0][3] = 5.0  # no doubt there
    source_weights = []
    for counts in ((1,), (4,), (0, 1, 3, 4, 9)):
        count = rng.choice(counts, CELLS).astype(np.int32)
        start = np.concatenate([[0], np.cumsum(count)[:-1]])
        weight = rng.random(count.sum()).astype(np.float32)
        for at, n in zip(start, count, strict=True):
            weight[at : at + n] /= max(weight[at : at + n].sum(), 1e-9)
        source_weights.append(
            SourceWeights(start, count, rng.integers(0, SOURCES, count.sum()).astype(np.int32), weight)
        )
    memberships = rng.random((4, CELLS)).astype(np.float32)
    memberships[3, ::17] = 0.0
    if renormalise:
        memberships[1, ::11] = np.nan
    judged = rng.random(CELLS) < 0.8
    return tables, source_weights, memberships, judged


def drawn_by_hand(tables, source_weights, memberships):
    """Memberships of every draw, (draws, criteria, cells)."""
    every = np.repeat(memberships[None], DRAWS, axis=0)
    for k, (table, tap, curve) in enumerate(zip(tables, source_weights, CURVES, strict=True)):
        for i in range(CELLS):
            at = slice(tap.start[i], tap.start[i] + tap.count[i])
            if tap.count[i] and not np.isnan(memberships[k, i]):
                value = (tap.weight[at, None].astype(np.float64) * table[tap.index[at]]).sum(axis=0)
                every[:, k, i] = membership(value, curve)
    return every


@pytest.mark.parametrize("rules", RULES, ids=lambda r: f"{r.rule} {r.missing} {r.alpha} {r.cap} {r.essential}")
def test_every_draw_is_judged_as_the_layers_themselves_are(rules):
    tables, source_weights, memberships, judged = ground(renormalise=rules.missing == "renormalise")
    drawn = [DrawnCriterion(k, *each) for k, each in enumerate(zip(tables, source_weights, CURVES, strict=True))]
    found = judge_draws(memberships, judged, drawn, DRAWS, rules)
    every = drawn_by_hand(tables, source_weights, memberships)
    results = [judge(m[:, None], np.zeros((1, CELLS), np.uint8), rules) for m in every]
    scores, classes = (np.array([result[part][0] for result in results]) for part in (0, 1))
    assert np.isnan(found.mean).tolist() == (~judged).tolist()
    for mine, true in ((found.mean, scores.mean(axis=0)), (found.sd, scores.std(axis=0))):
        assert np.abs(mine - true)[judged].max() < 2e-6
    near = np.abs(scores - rules.cuts[1]).min(axis=0) < 1e-5
    near |= (np.abs(every[:, :, :, None] - np.array(rules.cuts[1:])).min(axis=(0, 3)) < 1e-6).any(axis=0)
    assert near.mean() < 0.1
    assert np.array_equal(found.reached[judged & ~near], (classes <= 2).mean(axis=0).astype(np.float32)[judged & ~near])


def test_an_essential_criterion_at_its_best_changes_no_bit_of_any_draw():
    tables, source_weights, memberships, judged = ground()
    memberships[3] = 1.0
    drawn = [DrawnCriterion(k, *each) for k, each in enumerate(zip(tables, source_weights, CURVES, strict=True))]
    for rules in RULES[:4]:
        held = Rules(rules.weights, rules.rule, alpha=rules.alpha, essential=(3,))
        found, other = (judge_draws(memberships, judged, drawn, DRAWS, each, levels=(0.2,)) for each in (rules, held))
        assert [part.tobytes() for part in found] == [part.tobytes() for part in other]


def test_ground_without_doubt_has_none():
    _, source_weights, memberships, judged = ground()
    drawn = [DrawnCriterion(0, np.full((SOURCES, DRAWS), 5.5, np.float32), source_weights[0], CURVES[0])]
    memberships[0] = membership(np.full(CELLS, 5.5), CURVES[0])
    for rules in RULES[:3]:
        result = judge(memberships[:, None], np.zeros((1, CELLS), np.uint8), rules)
        suitability, near = result.suitability[0], np.abs(result.suitability[0] - 0.5) < 1e-5
        found = judge_draws(memberships, judged, drawn, DRAWS, rules)
        assert found.sd[judged].max() < 1e-6
        assert np.abs(found.mean - suitability)[judged].max() < 1e-6
        assert np.array_equal(found.reached[judged & ~near], (result.classes[0] <= 2)[judged & ~near])


def test_a_layer_judged_on_its_own_cells_gives_the_same():
    tables, source_weights, memberships, judged = ground()
    rules = RULES[1]
    after = judge_draws(memberships, judged, [DrawnCriterion(0, tables[0], source_weights[0], CURVES[0])], DRAWS, rules)
    before = DrawnCriterion(0, membership(tables[0], CURVES[0]), source_weights[0], None)
    found = judge_draws(memberships, judged, [before], DRAWS, rules)
    assert np.abs(found.mean - after.mean)[judged].max() < 1e-6
    assert np.abs(found.sd - after.sd)[judged].max() < 1e-6


def test_groups_add_up_shares_of_cells_by_draw():
    tables, source_weights, memberships, judged = ground()
    rules = RULES[0]
    drawn = [DrawnCriterion(k, *each) for k, each in enumerate(zip(tables, source_weights, CURVES, strict=True))]
    rng = np.random.default_rng(5)
    count = rng.integers(0, 3, CELLS)
    first = np.concatenate([[0], np.cumsum(count)])
    group, share = rng.integers(0, 5, first[-1]).astype(np.int32), rng.random(first[-1])
    group_sums = GroupSums.of(5, 4, 3, DRAWS)
    judge_draws(memberships, judged, drawn, DRAWS, rules, CellGroups(first, group, share), group_sums)
    sums = group_sums.figures
    every = drawn_by_hand(tables, source_weights, memberships)
    scores = np.array([judge(m[:, None], np.zeros((1, CELLS), np.uint8), rules).suitability[0] for m in every])
    values = np.concatenate([scores[:, None], every[:, :3]], axis=1).astype(np.float64)  # (draws, 4, cells)
    expected = np.zeros_like(sums)
    for i in np.flatnonzero(judged):
        for n in range(first[i], first[i + 1]):
            expected[group[n]] += share[n] * values[:, :, i].T
    assert np.abs(sums - expected).max() < 1e-3


@pytest.mark.parametrize("rules", RULES[:7], ids=lambda rules: f"{rules.rule}-{rules.missing}")
@pytest.mark.parametrize("names", [["a", "b", "c", "d"], ["soil", "b9", "warm", "c"]], ids=["plan order", "other"])
def test_ranks_are_summed_under_the_weights_of_each_draw(rules, names):
    lenient = rules.missing == "renormalise"
    tables, source_weights, memberships, judged = ground(3, renormalise=lenient)
    drawn = [DrawnCriterion(k, *each) for k, each in enumerate(zip(tables, source_weights, CURVES, strict=True))]
    rng = np.random.default_rng(6)
    count = rng.integers(0, 3, CELLS)
    first = np.concatenate([[0], np.cumsum(count)])
    group, share = rng.integers(0, 5, first[-1]).astype(np.int32), rng.random(first[-1])
    spread = WeightDistribution.dirichlet(rules.weights, 9.0)
    if rules.order_weights:
        spread = WeightDistribution.fixed(rules.weights)
    weights = RankWeights.of(spread, names, DRAWS, 2 * DRAWS - 9, 3)
    assert weights.draws == 2 * DRAWS
    assert np.array_equal(weights.by_draw, spread.draw(2 * DRAWS, 3, names=names))
    sums = GroupSums.of(5, 4, 3, DRAWS, weights)
    judge_draws(memberships, judged, drawn, DRAWS, rules, CellGroups(first, group, share), sums)
    every = drawn_by_hand(tables, source_weights, memberships)
    expected, land = np.zeros((5, 2 * DRAWS)), np.zeros(5)
    for n, w in enumerate(weights.by_draw):
        scores = combine(every[n % DRAWS], w.tolist(), rules.rule, rules.order_weights, rules.alpha, rules.missing)
        for i in np.flatnonzero(judged & ~np.isnan(scores)):
            for at in range(first[i], first[i + 1]):
                expected[group[at], n] += share[at] * scores[i]
                land[group[at]] += share[at] * (n == 0)
    np.testing.assert_allclose(sums.ranks.suitability, expected, atol=2e-3)
    np.testing.assert_allclose(sums.ranks.ground, land, atol=1e-9)


def test_quantiles_over_draws_are_those_of_a_sort():
    tables, source_weights, memberships, judged = ground()
    rules, levels = RULES[0], (0.05, 0.5, 0.95)
    drawn = [DrawnCriterion(k, *each) for k, each in enumerate(zip(tables, source_weights, CURVES, strict=True))]
    found = judge_draws(memberships, judged, drawn, DRAWS, rules, levels=levels)
    every = drawn_by_hand(tables, source_weights, memberships)
    scores = np.array([judge(m[:, None], np.zeros((1, CELLS), np.uint8), rules).suitability[0] for m in every])
    assert np.abs(found.quantiles - np.quantile(scores, levels, axis=0))[:, judged].max() < 2e-6
    assert np.isnan(found.quantiles[:, ~judged]).all()
