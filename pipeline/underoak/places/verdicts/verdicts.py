"""The verdict for every parcel, its reason, and the soil tests that could change it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from underoak.places.answers.verdict import DecidedBy, SoilTestFigures, TooSmall, VerdictReason
from underoak.places.columns.column import Kind, arrange, column_of
from underoak.places.columns.parcels import PARCELS
from underoak.places.lab.sampling_error import error_to_expect
from underoak.places.soil.soil_units import soil_criteria
from underoak.places.verdicts.decision import Evidence, decide, verdict_of
from underoak.uncertainty.information.value_of_information import sampling_error, value_of_information

if TYPE_CHECKING:
    import pandas as pd

    from underoak.places.parcels.draws import ParcelDraws
    from underoak.plan.plan import Plan

Doubles = npt.NDArray[np.float64]
COLUMNS = (
    "verdict", "decided_by", "verdict_reason", "best_test", "flip_chance", "worth", "test_pays_above", "tests",
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class SoilTest:
    """The value of one lab test of a layer on every parcel, (parcels,); NaN where it is not known."""

    layer: str
    flip_chance: Doubles  # that after it another answer is best
    worth: Doubles  # expected gain of suitability over the cut of S2, by choosing after it
    has_error: bool  # whether the plan states the lab error
    flip_error: Doubles  # standard errors of these, from the number of draws
    worth_error: Doubles


def soil_tests(plan: Plan, units: Mapping[str, str], spread: ParcelDraws) -> list[SoilTest]:
    """Return the tests of uncertain layers that a lab can measure: soil layers, and those with a lab error.

    The choice is between taking a parcel, for its suitability as far as its limiting factor lets it count, and leaving
    it, for the cut of S2. A test shows the layer's mean over the parcel, in the same draws, with the errors of method
    and sampling. A method without a stated error counts as exact.
    """
    assert plan.uncertainty is not None
    errors, tests = plan.uncertainty.lab_error, []
    capped, cut = spread.capped(plan.rules).T, plan.rules.cuts[1]
    for layer, place in layers_to_test(plan, units, spread).items():
        means = spread.values[:, place].T
        error = error_to_expect(plan, layer, units[layer], means.mean(axis=0))
        is_unknown = np.isnan(means).any(axis=0) | np.isnan(capped).any(axis=0)
        utility, known = (np.where(is_unknown, 0.0, each) for each in (capped, means))
        value = value_of_information(utility, known, cut, error)
        flips, gains = (np.where(is_unknown, np.nan, each) for each in (value.flip_chance, value.sample))
        flip_errors, gain_errors = np.zeros_like(flips), np.zeros_like(gains)
        can_flip = np.flatnonzero(flips > 0.0)  # the others list no test, and errors take time
        if can_flip.size:
            errors_of = np.broadcast_to(error, flips.shape)[can_flip]
            of_draws = sampling_error(utility[:, can_flip], known[:, can_flip], cut, errors_of)
            flip_errors[can_flip], gain_errors[can_flip] = of_draws.flip_chance, of_draws.sample
        tests.append(SoilTest(layer, flips, gains, layer in errors, flip_errors, gain_errors))
    return tests


def layers_to_test(plan: Plan, units: Mapping[str, str], spread: ParcelDraws) -> dict[str, int]:
    """Return the uncertain layers that a lab can test, in plan order, with their indices in the draws."""
    assert plan.uncertainty is not None
    soil = set(soil_criteria(plan, units))
    layers: dict[str, int] = {}
    for j, k in enumerate(spread.drawn):
        layer = plan.criteria[k].layer
        if k in soil or layer in plan.uncertainty.lab_error:
            layers.setdefault(layer, spread.judged_by[j])
    return layers


def untested_layers(plan: Plan, units: Mapping[str, str], spread: ParcelDraws) -> tuple[str, ...]:
    """Return the layers with weight that a lab can test and whose error is not known, in plan order."""
    assert plan.uncertainty is not None
    tested, soil = layers_to_test(plan, units, spread), set(soil_criteria(plan, units))
    layers = [
        criterion.layer
        for k, criterion in enumerate(plan.criteria)
        if criterion.weight > 0.0 and (k in soil or criterion.layer in plan.uncertainty.lab_error)
    ]
    return tuple(layer for layer in dict.fromkeys(layers) if layer not in tested)


def with_verdicts(plan: Plan, units: Mapping[str, str], table: pd.DataFrame, spread: ParcelDraws) -> pd.DataFrame:
    """Return the table of parcels with `COLUMNS`, empty for parcels that are not judged.

    `best_test` is the test that is worth most, if the draws are enough to tell its worth from 0. `test_pays_above`
    needs the price of a test.
    """
    import pandas as pd

    place = {id: i for i, id in enumerate(spread.ids)}
    order = [place[id] for id in table["id"]]
    tests, untested = soil_tests(plan, units, spread), untested_layers(plan, units, spread)
    shortfall = mean_shortfall(spread.capped(plan.rules), plan.rules.cuts[1])
    price, draws = plan.prices.soil_test, spread.suitability.shape[1]
    columns: dict[str, list[object]] = {name: [None] * len(table) for name in COLUMNS}
    chances, judged = table["p_s2"].to_numpy(float), table["rank"].notna().to_numpy()
    for row, parcel in enumerate(order):
        p = float(chances[row])
        if not judged[row] or np.isnan(p):
            continue
        land = land_of(table, row)
        figures = () if land[0] is not None else rank_tests(tests, parcel)  # no soil test makes a parcel larger
        reason = reason_of(plan, p, draws, figures, () if land[0] is not None else untested, land)
        columns["verdict"][row], columns["decided_by"][row] = verdict_of(reason.decided_by), reason.decided_by
        columns["verdict_reason"][row] = reason
        if figures:
            columns["tests"][row] = figures
        if figures and figures[0].is_worth_known:
            best = figures[0]
            columns["best_test"][row], columns["flip_chance"][row] = best.layer, best.flip_chance
            columns["worth"][row] = best.worth
            if price is not None:
                columns["test_pays_above"][row] = loss_threshold(price, best.worth, float(shortfall[parcel]))
    if price is None:
        del columns["test_pays_above"]
    types = {name: object if column_of(PARCELS, name).kind is Kind.TEXT else np.float64 for name in columns}
    series = {name: pd.Series(column, index=table.index, dtype=types[name]) for name, column in columns.items()}
    return arrange(table.assign(**series), PARCELS)


def rank_tests(tests: Sequence[SoilTest], parcel: int) -> tuple[SoilTestFigures, ...]:
    """Rank the tests that could change the verdict of a parcel, the one that is worth most first.

    Those of equal worth stand by flip chance, then in plan order. Those whose worth cannot be told from 0 stand last,
    by flip chance.
    """
    figures = [
        SoilTestFigures(
            test.layer,
            float(test.flip_chance[parcel]),
            float(test.worth[parcel]),
            float(test.flip_error[parcel]),
            float(test.worth_error[parcel]),
        )
        for test in tests
        if test.flip_chance[parcel] > 0.0
    ]
    return tuple(sorted(figures, key=lambda test: (-test.worth if test.is_worth_known else 0.0, -test.flip_chance)))


def mean_shortfall(capped: Doubles, cut: float) -> Doubles:
    """Return how far a parcel lies below the cut in the draws in which it does, (parcels,); NaN where it never does.

    `capped`: suitability by draw, (parcels, draws).

    >>> mean_shortfall(np.array([[0.3, 0.45, 0.9], [0.6, 0.7, 0.8]]), 0.5).round(3).tolist()
    [0.125, nan]
    """
    below = np.maximum(cut - capped, 0.0)
    count = (below > 0.0).sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        shortfall: Doubles = below.sum(axis=1) / np.where(count > 0, count, np.nan)
    return shortfall


def loss_threshold(price: float, worth: float, shortfall: float) -> float | None:
    """Return the loss by a wrong choice above which a test pays, in money; None where no loss makes it pay.

    Suitability is worth V in money per unit. A test pays when V times its worth exceeds its price. A wrong choice takes
    a parcel that is below the cut of S2, and then costs V times `shortfall` on average. So the test pays when that loss
    exceeds price x shortfall / worth. The threshold rises with the price, and falls as the worth rises. Derived; no
    source.

    >>> round(loss_threshold(60.0, 0.02, 0.1), 6)
    300.0
    """
    return price * shortfall / worth if worth > 0.0 and shortfall > 0.0 else None


def land_of(table: pd.DataFrame, row: int) -> tuple[TooSmall | None, float | None]:
    """Return why a parcel of the table is too small, None if it is not, and its usable land [ha]."""
    if "too_small" not in table:
        return None, None
    why, usable_ha = table["too_small"].iloc[row], float(table["usable_ha"].iloc[row])
    return (why if isinstance(why, TooSmall) else None), usable_ha


def reason_of(
    plan: Plan, p: float, draws: int, tests: Sequence[SoilTestFigures], untested: tuple[str, ...],
    land: tuple[TooSmall | None, float | None],
) -> VerdictReason:  # fmt: skip
    """Return the rule that decides the verdict of a parcel, and its figures.

    `tests` are those that could change it, `untested` the layers whose tests cannot be valued, `land` as by `land_of`.
    """
    limits, part = plan.spec.verdict, plan.looked_at
    gate = max(tests, key=lambda test: test.flip_chance, default=None)
    judged_weight = None if part is None else part.judged_weight
    flip = 0.0 if gate is None else gate.flip_chance
    rule = decide(Evidence(p, flip, judged_weight, land[0], plan.is_doubt_switched_off), limits)
    is_look = rule is DecidedBy.LOOK_FIRST
    by_yes = (DecidedBy.LIKELY, DecidedBy.DOUBT_OFF, DecidedBy.BETWEEN, DecidedBy.UNSETTLED)
    by_no = (DecidedBy.UNLIKELY, DecidedBy.BETWEEN, DecidedBy.UNSETTLED)
    return VerdictReason(
        rule, p, draws,
        yes_at=limits.yes_at if rule in by_yes else None,
        no_at=limits.no_at if rule in by_no else None,
        too_small=land[0],
        usable_ha=land[1] if land[0] is not None else None,
        usable_area_ha=limits.usable_ha(plan.purpose) if land[0] is TooSmall.AREA else None,
        judged_weight=judged_weight if is_look else None,
        judged_at=limits.judged_at if is_look else None,
        add=tuple(c.layer for c in part.heaviest_until(limits.judged_at)) if is_look and part is not None else (),
        test=None if gate is None else gate.layer,
        flip_chance=None if gate is None else gate.flip_chance,
        test_first_at=limits.test_first_at if rule is DecidedBy.TEST else None,
        unknown=untested,
    )  # fmt: skip
