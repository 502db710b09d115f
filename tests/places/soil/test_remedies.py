"""What lime and water make of a parcel, and what they take: exact amounts, and never a step down."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import MultiPolygon, box

import underoak as uo
from underoak.overlay import Curve, Rules, combine, membership
from underoak.places.answers.needs import DrainageNeed, LimeBeyond, LimeNeed, NoHelp, WaterNeed, has_remedy
from underoak.places.parcels.cell_sample import SampledCells
from underoak.places.soil.amounts import need_of, needs_of
from underoak.places.soil.remedies import (
    Remedy,
    fence_m,
    potential_memberships,
    potential_suitability,
    remedies_of,
    with_remedies,
)
from underoak.report.text.cell_sentences import remedy_sentence

from noise import noise_country

PH = Curve.hump(7.0, 7.9, 8.3, 8.8)
RAIN = Curve.hump(50.0, 145.0, 220.0, 380.0)
LIME = Remedy(0, "lime", PH, 8.3)
WATER = Remedy(1, "irrigation", RAIN, 150.0, season="summer")
RULES = Rules((0.6, 0.4))


def in_words(amount, parcel, ha, currency=""):
    need = need_of(amount, parcel, ha, currency)
    return "" if need is None else remedy_sentence(need)


def in_short(amount, parcel):
    match need_of(amount, parcel, 1.0):
        case LimeNeed(t_ha=t_ha):
            return f"lime {t_ha:.0f} t/ha"
        case WaterNeed(mm=mm):
            return f"water {mm:.0f} mm"
        case DrainageNeed():
            return "drainage"
    return ""


def cells_of(*parcels, curves=(PH, RAIN), rules=RULES, weight=1.0):
    """Parcels of whole cells; each parcel is a list of the values of one cell after the other."""
    values = np.array([cell for parcel in parcels for cell in parcel], np.float32)
    memberships = np.stack([membership(values[:, i], curve) for i, curve in enumerate(curves)], axis=1)
    suitability = combine(memberships.T, rules.weights, rules.rule, rules.order_weights, rules.alpha, rules.missing)
    ones = np.full(len(values), weight)
    offsets = np.cumsum([0, *map(len, parcels)])
    return SampledCells(
        offsets, np.arange(len(values)), ones, ones, memberships, values, suitability.astype(np.float32)
    )


@pytest.mark.parametrize(
    ("ph", "depth", "reach", "dose", "goal"),
    [
        (6.0, 30.0, 8.3, 57.0, 7.9),  # 1.9 of pH, 30 cm: 19 x 3
        (6.5, 20.0, 8.3, 28.0, 7.9),
        (7.0, 25.0, 8.3, 22.5, 7.9),
        (6.0, 30.0, 7.5, 45.0, 7.5),  # no further than the limit
        (8.0, 30.0, 8.3, 0.0, None),  # good already
        (8.6, 30.0, 8.3, 0.0, None),  # too high: nothing makes it more acid
        (6.0, 30.0, 6.5, 0.0, None),  # the limit is out of the curve's reach
    ],
)
def test_lime_takes_a_tonne_for_each_tenth_and_ten_centimetres(ph, depth, reach, dose, goal):
    found = with_remedies(cells_of([(ph, 150.0)]), [replace(LIME, depth_cm=depth, reach=reach)], RULES).amounts[0]
    assert found.amount[0] == pytest.approx(dose, abs=1e-4)
    if goal is None:
        assert in_words(found, 0, 3.0) == ""
        assert found.share[0] == 0.0
    else:
        assert found.goal[0] == pytest.approx(goal)
        assert found.share[0] == 1.0


@pytest.mark.parametrize(("rain", "lack"), [(100.0, 45.0), (145.0, 0.0), (60.0, 85.0), (300.0, 0.0)])
def test_irrigation_takes_what_summer_lacks(rain, lack):
    found = with_remedies(cells_of([(8.0, rain)]), [WATER], RULES).amounts[0]
    assert found.amount[0] == pytest.approx(lack)
    said = f"water, {lack:g} mm ({10 * lack:g} m3/ha) in summer" if lack else ""
    assert in_words(found, 0, 3.0) == said


def test_amounts_are_means_of_the_ground_that_needs_it():
    # half needs 19 tenths, a quarter 9, a quarter none
    parcel = [(6.0, 150.0), (6.0, 150.0), (7.0, 150.0), (8.0, 150.0)]
    found = with_remedies(cells_of(parcel), [replace(LIME, price=45.0)], RULES).amounts[0]
    assert found.amount[0] == pytest.approx((57.0 + 57.0 + 27.0) / 3.0, abs=1e-4)
    assert found.share[0] == 0.75
    assert in_words(found, 0, 4.0, "EUR") == (
        "lime, at least 47 t/ha, plan with 94 t/ha, to bring the top 30 cm to pH 7.9 on 75 % of it "
        "(280 t in all as planned, 13 000 EUR)"
    )
    assert in_short(found, 0) == "lime 47 t/ha"


@pytest.mark.parametrize(("ph", "is_counted"), [(6.5, False), (6.6, True)])
def test_land_that_takes_more_lime_than_counts_stays_as_it_is(ph, is_counted):
    lime, cells = replace(LIME, most_t_ha=40.0), cells_of([(ph, 150.0)])  # 42 and 39 t/ha
    result = with_remedies(cells, [lime], RULES)
    (amount,) = result.amounts
    needs = tuple(needs_of(amount, 0, 1.0))
    if is_counted:
        assert result.gain[0] > 0.2
        assert [type(need) for need in needs] == [LimeNeed]
        assert amount.beyond[0] == 0.0
    else:
        assert result.gain[0] == 0.0
        assert amount.amount[0] == 0.0
        assert needs == (LimeBeyond(pytest.approx(42.0, abs=1e-4), 40.0, 1.0),)


@pytest.mark.parametrize(
    ("rule", "carbonate", "reason"),
    [("geometric", 0.0, NoHelp("lime", ("carbonate",))), ("minimum", 0.2, NoHelp("lime")), ("geometric", 3.0, None)],
)
def test_lime_that_would_not_help_says_what_stays_at_zero(rule, carbonate, reason):
    """Under a rule by products a criterion at 0 keeps the suitability at 0; the minimum is that of the least one."""
    rules = Rules((0.6, 0.4), rule=rule)
    cells = cells_of([(7.5, carbonate)] * 3, curves=(PH, Curve.ramp_up(0.0, 2.0)), rules=rules)
    (amount,) = with_remedies(cells, [LIME], rules).amounts
    needs = tuple(needs_of(amount, 0, 3.0, names=("ph", "carbonate")))
    if reason is None:
        assert [type(need) for need in needs] == [LimeNeed]
    else:
        assert needs == (reason,)
        assert not has_remedy(needs)


def test_land_in_its_best_range_needs_no_reason():
    rules = Rules((0.6, 0.4), rule="geometric")
    cells = cells_of([(8.0, 0.0)], curves=(PH, Curve.ramp_up(0.0, 2.0)), rules=rules)
    (amount,) = with_remedies(cells, [LIME], rules).amounts
    assert tuple(needs_of(amount, 0, 3.0, names=("ph", "carbonate"))) == ()


@given(st.lists(st.floats(4.0, 8.8), min_size=1, max_size=12), st.floats(1.0, 120.0), st.floats(1.0, 3.0))
def test_more_lime_that_counts_never_lowers_the_potential(values, most, more):
    cells = cells_of([(ph, 150.0) for ph in values])
    less, better, all_of_it = (
        with_remedies(cells, [replace(LIME, most_t_ha=t_ha)], RULES) for t_ha in (most, most * more, np.inf)
    )
    assert less.gain[0] <= better.gain[0] + 1e-9 <= all_of_it.gain[0] + 2e-9
    assert less.amounts[0].amount[0] <= most + 1e-6


@pytest.mark.parametrize(
    ("sand", "clay", "factor"), [(90.0, 5.0, 6.0), (65.0, 10.0, 7.0), (22.0, 58.0, 8.0), (np.nan, 5.0, np.nan)]
)
def test_farm_tables_stand_beside_the_dose_where_sand_and_clay_are_known(sand, clay, factor):
    wide = Curve.ramp_up(-1.0, 0.0)
    cells = cells_of([(6.0, 150.0, sand, clay)], curves=(PH, RAIN, wide, wide), rules=Rules((0.4, 0.4, 0.1, 0.1)))
    found = with_remedies(cells, [LIME], Rules((0.4, 0.4, 0.1, 0.1)), texture=(2, 3)).amounts[0]
    assert found.farm[0] == pytest.approx(1.0 * factor, nan_ok=True)  # from 6 to 7, where they end
    assert ("farm tables, which end at pH 7" in in_words(found, 0, 1.0)) is (factor == factor)


def test_ground_above_seven_is_beyond_farm_tables():
    wide = Curve.ramp_up(-1.0, 0.0)
    rules = Rules((0.4, 0.4, 0.1, 0.1))
    cells = cells_of([(7.2, 150.0, 60.0, 10.0)], curves=(PH, RAIN, wide, wide), rules=rules)
    assert "farm tables" not in in_words(with_remedies(cells, [LIME], rules, (2, 3)).amounts[0], 0, 1.0)


def test_potential_is_the_suitability_of_mended_memberships():
    cells = cells_of([(6.0, 97.5), (8.0, 200.0)])
    found = with_remedies(cells, [LIME, WATER], RULES)
    # the first cell goes from 0.4 x 0.5 to 1, the second is perfect
    assert found.gain[0] == pytest.approx((1.0 - 0.2) / 2.0)
    np.testing.assert_allclose(found.memberships[0], [0.5, 0.25])


def test_each_remedy_alone_counts_only_itself():
    rules = Rules((0.6, 0.4), "geometric")
    cells = cells_of([(7.45, 97.5)], [(8.0, 97.5)], [(7.45, 200.0)], rules=rules)  # half a membership lost of each
    both = with_remedies(cells, [LIME, WATER], rules)
    lime, water = both.alone["lime"], both.alone["irrigation"]
    half, part = 0.5**0.6, 0.5**0.4
    np.testing.assert_allclose(cells.suitability, [0.5, part, half], rtol=1e-5)
    np.testing.assert_allclose(lime.gain, [part - 0.5, 0.0, 1.0 - half], atol=1e-6)
    np.testing.assert_allclose(water.gain, [half - 0.5, 1.0 - part, 0.0], atol=1e-6)
    np.testing.assert_allclose(both.gain, [0.5, 1.0 - part, 1.0 - half], atol=1e-6)
    np.testing.assert_allclose(lime.memberships, [[0.5, 0.0], [0.0, 0.0], [0.5, 0.0]], atol=1e-6)


@given(st.lists(st.tuples(st.floats(5, 9), st.floats(0, 400)), min_size=1, max_size=12), st.booleans())
def test_one_remedy_alone_never_does_more_than_all_and_all_of_one_kind_are_that_kind(values, is_geometric):
    rules = Rules((0.6, 0.4), "geometric" if is_geometric else "linear")
    cells = cells_of(values, rules=rules)
    both = with_remedies(cells, [LIME, WATER], rules)
    for effect in both.alone.values():
        assert 0.0 <= effect.gain[0] <= both.gain[0] + 1e-7
    only = with_remedies(cells, [LIME], rules)
    assert list(only.alone) == ["lime"]
    np.testing.assert_array_equal(only.gain, only.alone["lime"].gain)
    np.testing.assert_array_equal(only.gain, both.alone["lime"].gain)


def test_a_remedy_that_shows_in_no_figure_is_not_named():
    parcel = [(7.8, 150.0)] + [(8.0, 150.0)] * 99
    found = with_remedies(cells_of(parcel), [LIME], RULES)
    assert 0.0 < found.gain[0] < 0.005
    assert in_words(found.amounts[0], 0, 1.0) == ""


def test_a_remedy_is_not_named_where_another_criterion_forbids():
    rules = Rules((0.4, 0.4, 0.2), "geometric")
    steep = Curve.ramp_down(10.0, 20.0)
    cells = cells_of([(6.0, 60.0, 40.0)], [(6.0, 60.0, 5.0)], curves=(PH, RAIN, steep), rules=rules)
    found = with_remedies(cells, [LIME, WATER], rules)
    assert [in_short(amount, 0) for amount in found.amounts] == ["", ""]
    assert [in_short(amount, 1) for amount in found.amounts] == ["lime 57 t/ha", "water 85 mm"]
    assert found.gain[0] == 0.0
    assert found.gain[1] == pytest.approx(1.0)


def test_drainage_is_named_where_it_is_too_wet_and_adds_nothing():
    wet = Curve.ramp_down(3.0, 5.0)
    curves = (PH, wet)
    drain = Remedy(1, "drainage", wet, np.inf)
    cells = cells_of([(8.0, 4.5)], [(8.0, 2.0)], curves=curves)
    found = with_remedies(cells, [drain], RULES)
    assert in_words(found.amounts[0], 0, 1.0) == "drain it, if a pit shows standing water"
    assert in_words(found.amounts[0], 1, 1.0) == ""
    assert found.gain.tolist() == [0.0, 0.0]
    assert [in_short(found.amounts[0], i) for i in range(2)] == ["drainage", ""]


CURVES = st.one_of(
    st.lists(st.floats(0, 100, width=32), min_size=4, max_size=4, unique=True).map(lambda x: Curve.hump(*sorted(x))),
    st.lists(st.floats(0, 100, width=32), min_size=4, max_size=4, unique=True).map(lambda x: Curve.trough(*sorted(x))),
    st.builds(Curve.bell, st.floats(0, 100), st.floats(0.5, 50)),
    st.lists(st.tuples(st.floats(0, 100, width=32), st.floats(0, 1)), min_size=2, max_size=6).map(
        lambda pairs: Curve.points(sorted(pairs, key=lambda pair: pair[0]))
    ),
)
SETTINGS = st.sampled_from(
    [Rules((0.6, 0.4)), Rules((0.6, 0.4), "geometric"), Rules((0.6, 0.4), "minimum"), Rules((1, 0)),
     Rules((0.5, 0.5), "ordered", (0.2, 0.8)), Rules((0.6, 0.4), "ordered", alpha=2.5),
     Rules((0.6, 0.4), missing="renormalise")]
)  # fmt: skip


@given(
    curve=CURVES,
    rules=SETTINGS,
    reach=st.floats(0, 120),
    values=st.lists(st.tuples(st.floats(-20, 140, width=32), st.floats(0, 400, width=32)), min_size=1, max_size=20),
)
def test_no_cell_is_worse_for_its_remedies(curve, rules, reach, values):
    cells = cells_of(values, curves=(curve, RAIN), rules=rules)
    remedies = [Remedy(0, "lime", curve, reach), WATER]
    better = potential_memberships(cells, remedies)
    assert (better >= cells.memberships).all()
    assert (potential_suitability(cells, better, rules) >= cells.suitability).all()
    assert (with_remedies(cells, remedies, rules).gain >= 0.0).all()
    for remedy in remedies:
        before = cells.values[:, remedy.index].astype(float)
        after = remedy.lifted(before)
        assert (after >= before).all()
        assert (after <= np.maximum(before, remedy.reach)).all()


@given(curve=CURVES, value=st.floats(-20, 140, width=32), reach=st.floats(0, 120))
def test_nothing_within_reach_is_better_than_where_a_value_is_brought(curve, value, reach):
    (goal,) = Remedy(0, "irrigation", curve, reach).lifted([value])
    between = np.linspace(value, max(value, reach), 500)
    assert membership(goal, curve) >= membership(between, curve).max() - 1e-6
    nearer = np.linspace(value, goal, 50)[:-1]
    if goal > value:
        assert (membership(nearer, curve) <= membership(goal, curve)).all()


def test_a_missing_value_stays_missing_and_counts_for_nothing():
    cells = cells_of([(np.nan, 150.0), (6.0, 150.0)], rules=Rules((0.6, 0.4), missing="renormalise"))
    found = with_remedies(cells, [LIME], Rules((0.6, 0.4), missing="renormalise"))
    assert found.amounts[0].amount[0] == pytest.approx(57.0, abs=1e-4)
    assert found.amounts[0].share[0] == 1.0


def test_no_cells_make_no_gain():
    empty = SampledCells(
        np.zeros(3, int), *(np.zeros(0),) * 3, np.zeros((0, 2), np.float32), np.zeros((0, 2)), np.zeros(0)
    )
    assert with_remedies(empty, [LIME], RULES).gain.tolist() == [0.0, 0.0]


def test_a_fence_goes_round_the_outside_of_every_part():
    ring = box(0, 0, 100, 100).difference(box(40, 40, 60, 60))
    assert fence_m(MultiPolygon([ring, box(200, 0, 210, 10)]), "EPSG:25831") == 440.0
    assert fence_m(None, "EPSG:25831") == 0.0


@pytest.fixture(scope="module")
def country(tmp_path_factory):
    folder = tmp_path_factory.mktemp("remedies")
    plan = noise_country(folder, 100, 100)
    plan["criteria"]["ph"]["remedy"] = {"by": "lime", "limit": 9, "depth": "20 cm"}
    plan["layers"]["soil_ph"]["to"] = "pH"
    return folder, plan


def test_a_plan_says_depth_limit_and_prices(country):
    folder, plan = country
    plan = plan | {"prices": {"lime_t": 40, "currency": "EUR"}}
    (lime,) = remedies_of(uo.load_plan(plan, base=folder))
    assert (lime.by, lime.depth_cm, lime.reach, lime.price) == ("lime", 20.0, 8.3, 40.0)  # 8.3: lime goes no further


def test_wild_ground_is_never_limed_or_watered(country):
    folder, plan = country
    bought = uo.load_plan(plan, base=folder)
    wild = replace(bought, spec=bought.spec.model_copy(update={"purpose": "restore"}))
    assert remedies_of(bought) != ()
    assert remedies_of(wild) == ()


@pytest.mark.parametrize(("by", "says"), [("lime", "a pH"), ("irrigation", "a depth of water")])
def test_a_remedy_that_cannot_raise_the_criterion_is_refused(country, by, says):
    folder, plan = country
    plan = plan | {"criteria": plan["criteria"] | {"height": plan["criteria"]["height"] | {"remedy": {"by": by}}}}
    plan["layers"]["elevation"]["unit"] = "degC" if by == "irrigation" else "m"
    with pytest.raises(uo.UnderoakError, match=f"criteria.height.remedy.by.*{says}"):
        uo.load_plan(plan, base=folder)


def test_rising_doses_cost_more():
    doses = [with_remedies(cells_of([(ph, 150.0)]), [LIME], RULES).amounts[0].amount[0] for ph in (7.5, 7.0, 6.5, 6.0)]
    assert all(b > a for a, b in pairwise(doses))
