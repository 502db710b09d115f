"""The answer for every parcel, how sure it is, and which one test of the soil would most likely turn it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from underoak.places.soil.soil_units import soil_criteria
from underoak.plan.keys.uncertainty import deviation_in
from underoak.uncertainty.information.value_of_information import value_of_information, verdict

if TYPE_CHECKING:
    import pandas as pd

    from underoak.places.parcels.draws import ParcelDraws
    from underoak.plan.plan import Plan

Doubles = npt.NDArray[np.float64]
WORDS: Mapping[str, Mapping[str, str]] = {
    "buy": {"yes": "buy", "no": "do not buy", "test first": "test first"},
    "orchard": {"yes": "plant", "no": "do not plant", "test first": "test first"},
    "restore": {"yes": "restore", "no": "do not restore", "test first": "test first"},
    "region": {"yes": "suitable", "no": "not suitable", "test first": "test first"},
}
COLUMNS = ("verdict", "verdict_reason", "best_test", "flip_chance", "worth", "test_pays")


@dataclass(frozen=True, slots=True, eq=False)
class SoilTest:
    """What one laboratory test of a layer is worth on every parcel, (parcels,); NaN where nothing is known."""

    layer: str
    flip_chance: Doubles  # that after it another answer is best
    worth: Doubles  # expected gain of suitability over the cut of S2, by choosing after it
    has_error: bool  # whether the plan says how far off a laboratory may be


def soil_tests(plan: Plan, units: Mapping[str, str], spread: ParcelDraws) -> list[SoilTest]:
    """The tests of soil that bear on what is in doubt: layers of the soil, and those with a laboratory's error.

    The choice is between taking a parcel, for its suitability as far as its weakest criterion lets it count, and
    leaving it, for the cut of S2. What a test would show is the layer's mean over the parcel, in the same draws.
    A laboratory that nobody says the error of is taken to have none.
    """
    assert plan.uncertainty is not None
    errors, found = plan.uncertainty.lab_error, []
    held, cut = spread.held(plan.rules).T, plan.rules.cuts[1]
    for layer, place in layers_to_test(plan, units, spread).items():
        known = spread.values[:, place].T
        error: Any = 0.0
        if layer in errors:
            amount, is_share = deviation_in(errors[layer], units[layer])
            error = np.abs(known.mean(axis=0)) * amount if is_share else amount
            error = np.nan_to_num(error)
        unknown = np.isnan(known).any(axis=0) | np.isnan(held).any(axis=0)
        worth = value_of_information(
            np.where(unknown, 0.0, held), np.where(unknown, 0.0, known), cut, np.broadcast_to(error, unknown.shape)
        )
        flips, gains = (np.where(unknown, np.nan, each) for each in (worth.flip_chance, worth.sample))
        found.append(SoilTest(layer, flips, gains, layer in errors))
    return found


def layers_to_test(plan: Plan, units: Mapping[str, str], spread: ParcelDraws) -> dict[str, int]:
    """The doubtful layers that a laboratory can test, in plan order, with their places in the draws."""
    assert plan.uncertainty is not None
    specs = {name: layer.model_dump(by_alias=True, exclude_none=True) for name, layer in plan.layers.items()}
    used = {name: {"unit": unit} for name, unit in units.items()}
    soil = set(soil_criteria([{"layer": criterion.layer} for criterion in plan.criteria], specs, used))
    made: dict[str, int] = {}
    for j, k in enumerate(spread.drawn):
        layer = plan.criteria[k].layer
        if k in soil or layer in plan.uncertainty.lab_error:
            made.setdefault(layer, spread.judged_by[j])
    return made


def with_verdicts(plan: Plan, units: Mapping[str, str], table: pd.DataFrame, spread: ParcelDraws) -> pd.DataFrame:
    """The table of parcels with these columns after `high`, empty for parcels that are not judged.

    `verdict` (in the words of the purpose) · `verdict_reason` (one sentence) · `best_test` (the layer whose test is
    likeliest to turn the answer; with prices, whose test brings most) · `flip_chance` (how likely that is) · `worth`
    (what it gains, in suitability) · with prices `test_pays` (what it gains in money, less its price).
    """
    import pandas as pd

    place = {id: i for i, id in enumerate(spread.ids)}
    order = [place[id] for id in table["id"]]
    tests, draws = soil_tests(plan, units, spread), spread.suitability.shape[1]
    pays = _pays(plan, tests, table["area_ha"].to_numpy(float), order)
    made: dict[str, list[Any]] = {name: [] for name in COLUMNS}
    chances, judged = table["p_s2"].to_numpy(float), table["rank"].notna().to_numpy()
    for row, parcel in enumerate(order):
        p = float(chances[row])
        if not judged[row] or np.isnan(p):
            for name, column in made.items():
                column.append(None if name in COLUMNS[:3] else np.nan)
            continue
        best = _best(tests, parcel, None if pays is None else pays[:, row])
        flip = np.nan if best is None else float(tests[best].flip_chance[parcel])
        spec = plan.spec.verdict
        answer = verdict(p, flip, spec.yes_at, spec.no_at, spec.test_first_at)
        layer = None if best is None else tests[best].layer
        made["verdict"].append(WORDS[plan.purpose][answer])
        made["verdict_reason"].append(reason(answer, p, draws, layer, flip, plan))
        made["best_test"].append(layer)
        made["flip_chance"].append(flip)
        made["worth"].append(np.nan if best is None else float(tests[best].worth[parcel]))
        made["test_pays"].append(np.nan if best is None or pays is None else float(pays[best, row]))
    if pays is None:
        del made["test_pays"]
    joined, at = table.copy(), list(table.columns).index("high") + 1
    for name, column in reversed(made.items()):
        joined.insert(at, name, pd.Series(column, dtype=object if name in COLUMNS[:3] else np.float64))
    return joined


def _pays(plan: Plan, tests: Sequence[SoilTest], area_ha: Doubles, order: Sequence[int]) -> Doubles | None:
    """What each test brings in money, less its price, (tests, rows of the table); None without both prices."""
    prices = plan.prices
    if prices.soil_test is None or prices.parcel_ha is None:
        return None
    gains = [test.worth[order] * area_ha * prices.parcel_ha - prices.soil_test for test in tests]
    return np.array(gains).reshape(len(tests), len(order))


def _best(tests: Sequence[SoilTest], parcel: int, pays: Doubles | None) -> int | None:
    """The test of most use on a parcel, the first of those that tie; None where none could turn the answer."""
    able = [n for n, test in enumerate(tests) if test.flip_chance[parcel] > 0.0]
    if not able:
        return None
    if pays is not None:
        return max(able, key=lambda n: (float(pays[n]), -n))
    return max(able, key=lambda n: (float(tests[n].flip_chance[parcel]), float(tests[n].worth[parcel]), -n))


def reason(answer: str, p: float, draws: int, layer: str | None, flip: float, plan: Plan) -> str:
    """Why the verdict is what it is, in one sentence without its full stop."""
    spec = plan.spec.verdict
    said = f"S2 or better in {_percent(p)} of {draws} draws"
    if answer == "yes":
        said += f", and {_percent(spec.yes_at)} is enough"
    elif answer == "no":
        said += f", and {_percent(spec.no_at)} is too little"
    elif not flip >= spec.test_first_at:
        said += f": neither the {_percent(spec.yes_at)} of a yes nor the {_percent(spec.no_at)} of a no"
    if layer is None:
        return f"{said}; no single test of the soil would turn the answer"
    return f"{said}; one test of {layer} would turn the answer with a chance of {flip:.2f}"


def _percent(share: float) -> str:
    return f"{share * 100:.0f} %"
