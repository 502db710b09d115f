"""The verdict for every parcel, its probability, and the soil test that is most likely to change it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from underoak.places.answers.verdict import Verdict, VerdictReason
from underoak.places.columns.column import Kind, arrange, column_of
from underoak.places.columns.parcels import PARCELS
from underoak.places.soil.soil_units import soil_criteria
from underoak.plan.keys.uncertainty import deviation_in
from underoak.uncertainty.information.value_of_information import value_of_information, verdict

if TYPE_CHECKING:
    import pandas as pd

    from underoak.places.parcels.draws import ParcelDraws
    from underoak.plan.plan import Plan

Doubles = npt.NDArray[np.float64]
COLUMNS = ("verdict", "verdict_reason", "best_test", "flip_chance", "worth", "test_pays")


@dataclass(frozen=True, slots=True, eq=False)
class SoilTest:
    """The value of one lab test of a layer on every parcel, (parcels,); NaN where it is not known."""

    layer: str
    flip_chance: Doubles  # that after it another answer is best
    worth: Doubles  # expected gain of suitability over the cut of S2, by choosing after it
    has_error: bool  # whether the plan states the lab error


def soil_tests(plan: Plan, units: Mapping[str, str], spread: ParcelDraws) -> list[SoilTest]:
    """Return the tests of uncertain layers that a lab can measure: soil layers, and those with a lab error.

    The choice is between taking a parcel, for its suitability as far as its limiting factor lets it count, and leaving
    it, for the cut of S2. A test shows the layer's mean over the parcel, in the same draws. A lab without a stated
    error counts as exact.
    """
    assert plan.uncertainty is not None
    errors, tests = plan.uncertainty.lab_error, []
    capped, cut = spread.capped(plan.rules).T, plan.rules.cuts[1]
    for layer, place in layers_to_test(plan, units, spread).items():
        means = spread.values[:, place].T
        error: float | Doubles = 0.0
        if layer in errors:
            amount, is_share = deviation_in(errors[layer], units[layer])
            error = np.nan_to_num(np.abs(means.mean(axis=0)) * amount) if is_share else amount
        is_unknown = np.isnan(means).any(axis=0) | np.isnan(capped).any(axis=0)
        value = value_of_information(
            np.where(is_unknown, 0.0, capped),
            np.where(is_unknown, 0.0, means),
            cut,
            np.broadcast_to(error, is_unknown.shape),
        )
        flips, gains = (np.where(is_unknown, np.nan, each) for each in (value.flip_chance, value.sample))
        tests.append(SoilTest(layer, flips, gains, layer in errors))
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


def with_verdicts(plan: Plan, units: Mapping[str, str], table: pd.DataFrame, spread: ParcelDraws) -> pd.DataFrame:
    """Return the table of parcels with `COLUMNS`, empty for parcels that are not judged.

    `best_test` is the test with the greatest flip chance; with prices the one that pays most. `test_pays` needs prices.
    """
    import pandas as pd

    place = {id: i for i, id in enumerate(spread.ids)}
    order = [place[id] for id in table["id"]]
    tests, draws = soil_tests(plan, units, spread), spread.suitability.shape[1]
    pays = _pays(plan, tests, table["area_ha"].to_numpy(float), order)
    columns: dict[str, list[object]] = {name: [None] * len(table) for name in COLUMNS}
    chances, judged = table["p_s2"].to_numpy(float), table["rank"].notna().to_numpy()
    spec = plan.spec.verdict
    for row, parcel in enumerate(order):
        p = float(chances[row])
        if not judged[row] or np.isnan(p):
            continue
        best = _best(tests, parcel, None if pays is None else pays[:, row])
        flip = np.nan if best is None else float(tests[best].flip_chance[parcel])
        answer = Verdict(verdict(p, flip, spec.yes_at, spec.no_at, spec.test_first_at))
        columns["verdict"][row] = answer
        columns["verdict_reason"][row] = reason_of(
            answer, p, draws, None if best is None else tests[best].layer, flip, plan
        )
        if best is not None:
            columns["best_test"][row], columns["flip_chance"][row] = tests[best].layer, flip
            columns["worth"][row] = float(tests[best].worth[parcel])
            columns["test_pays"][row] = None if pays is None else float(pays[best, row])
    if pays is None:
        del columns["test_pays"]
    types = {name: object if column_of(PARCELS, name).kind is Kind.TEXT else np.float64 for name in columns}
    series = {name: pd.Series(column, index=table.index, dtype=types[name]) for name, column in columns.items()}
    return arrange(table.assign(**series), PARCELS)


def _pays(plan: Plan, tests: Sequence[SoilTest], area_ha: Doubles, order: Sequence[int]) -> Doubles | None:
    """Return the gain of each test in money less its price, (tests, rows of the table); None without both prices."""
    prices = plan.prices
    if prices.soil_test is None or prices.parcel_ha is None:
        return None
    gains = [test.worth[order] * area_ha * prices.parcel_ha - prices.soil_test for test in tests]
    return np.array(gains).reshape(len(tests), len(order))


def _best(tests: Sequence[SoilTest], parcel: int, pays: Doubles | None) -> int | None:
    """Return the index of the best test of a parcel, the first of those that tie; None where no test would help."""
    able = [n for n, test in enumerate(tests) if test.flip_chance[parcel] > 0.0]
    if not able:
        return None
    if pays is not None:
        return max(able, key=lambda n: (float(pays[n]), -n))
    return max(able, key=lambda n: (float(tests[n].flip_chance[parcel]), float(tests[n].worth[parcel]), -n))


def reason_of(answer: Verdict, p: float, draws: int, layer: str | None, flip: float, plan: Plan) -> VerdictReason:
    """Return the figures behind a verdict; `layer` is the best test, None where no test would change the verdict."""
    spec = plan.spec.verdict
    is_between = answer is Verdict.TEST_FIRST and not flip >= spec.test_first_at
    yes_at = spec.yes_at if answer is Verdict.YES or is_between else None
    no_at = spec.no_at if answer is Verdict.NO or is_between else None
    return VerdictReason(p, draws, yes_at, no_at, layer, None if layer is None else flip)
