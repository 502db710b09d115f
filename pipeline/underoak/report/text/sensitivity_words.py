"""The sensitivity of a parcel in words: the doubt and the effect of each input, and the first two ranks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from underoak.base.errors import Fault, UnderoakError
from underoak.base.number_words import percent, score
from underoak.engine.storage.manifest import CaseManifest, CriterionWords
from underoak.places.verdicts.saved_cells import SavedCells
from underoak.places.verdicts.sensitivity import FirstTwo, Sensitivity, sensitivity_of, swap_of_first_two
from underoak.report.text.answer_words import CAUTIONS, swap_words
from underoak.report.text.criterion_words import measure
from underoak.report.text.lines import columns, wrapped

if TYPE_CHECKING:
    import pandas as pd

_T90 = 1.895  # two-sided 90 % of Student's t with 7 degrees of freedom: indices are means of 8 repeats


def sensitivity_in(saved: SavedCells, parcel: str) -> Sensitivity:
    """Return what a parcel with saved cells depends on.

    Raises:
        UnderoakError: E609 when its cells were not saved, or none of its layers states an uncertainty there.
    """
    place = saved.place(parcel)
    criteria = [(layer, curve) for _, layer, curve in saved.criteria]
    result = sensitivity_of(saved.cells, place, criteria, saved.rules, saved.sds_of(place), seed=saved.seed)
    if result is None:
        what = f'no layer states an uncertainty on parcel "{parcel}"'
        raise UnderoakError(Fault("E609", what, fix="check whether its `sd` is 0, or its quantiles are missing there"))
    return result


def swap_in(saved: SavedCells, parcels: pd.DataFrame | None) -> FirstTwo | None:
    """Return the smallest weight change that makes the two best parcels of a run equal."""
    if parcels is None:
        return None
    return swap_of_first_two(parcels, saved.ids, saved.cells, [name for name, _, _ in saved.criteria], saved.rules)


def sensitivity_words(
    case: CaseManifest, saved: SavedCells, parcel: str, result: Sensitivity, first_two: FirstTwo | None
) -> str:
    """Return a parcel's sensitivity in words; `case` is that of the run's manifest."""
    criteria, sds = case.criteria, saved.sds_of(saved.place(parcel))
    indices = result.indices
    of_layer = {layer: [c for c in criteria if c.layer == layer] for layer in result.layers}
    names = {layer: ", ".join(c.label for c in members) for layer, members in of_layer.items()}
    order = sorted(range(len(result.layers)), key=lambda i: (-indices.total[i], i))
    rows = [
        (
            names[result.layers[i]],
            measure(sds[result.layers[i]], of_layer[result.layers[i]][0].unit),
            _share(indices.first[i], indices.first_error[i]),
            _share(indices.total[i], indices.total_error[i]),
            score(result.swings[i, 0]),
            score(result.swings[i, 1]),
        )
        for i in order
    ]
    lines = [
        f"Parcel {parcel}: what its suitability depends on.",
        *wrapped(
            f"With the stated or assumed uncertainty of every map, its suitability is {score(indices.mean)} on "
            f"average, with a standard deviation of {score(indices.variance**0.5)}."
        ),
        "",
        *columns(("input", "sd", "alone", "in all", "if low", "if high"), rows),
        "",
        *wrapped(
            "sd: standard deviation of the map's mean over the parcel. alone: share of the doubt that knowing this "
            "input would remove (Sobol' first order). in all: share that would remain if all others were known (Sobol' "
            "total). if low, if high: suitability with this input alone at its 5 % and at its 95 % quantile, the "
            "others as mapped; where both are low, the mapped value lies between two sides that are worse. "
            "After ±, the 90 % confidence of the estimate."
        ),
        "",
        *_summary(result, names, order),
        *_silent(criteria, result.layers),
    ]
    order_words = swap_words(first_two, criteria)
    lines += ["", "Order of the first two parcels:", *wrapped(order_words)] if order_words else []
    return "\n".join([*lines, "", *wrapped(CAUTIONS[0])])


def _share(index: float, error: float) -> str:
    return f"{percent(min(max(float(index), 0.0), 1.0))} ± {100.0 * _T90 * float(error):.0f}"


def _summary(result: Sensitivity, names: Mapping[str, str], order: Sequence[int]) -> list[str]:
    """Return the same in one or two sentences."""
    indices = result.indices
    if not indices.variance > 0.0:
        return wrapped("None of these inputs changes its suitability: their curves are level there.")
    first = order[0]
    low, high = result.swings[first].tolist()
    lines = wrapped(
        f"It depends most on {names[result.layers[first]]}: a test of it would remove about "
        f"{percent(min(max(float(indices.first[first]), 0.0), 1.0))} of the doubt. Suitability is {score(low)} "
        f"if it is low (5 % quantile) and {score(high)} if it is high (95 %)."
    )
    together = 1.0 - float(indices.first.sum())
    if together > max(0.05, _T90 * float((indices.first_error**2).sum() ** 0.5)):
        lines += wrapped(f"{percent(together)} of the doubt comes from several inputs together.")
    return lines


def _silent(criteria: Sequence[CriterionWords], layers: Sequence[str]) -> list[str]:
    """Return the criteria whose layers were treated as exact."""
    rest = [c.label for c in criteria if c.layer not in layers]
    return wrapped(f"Treated as exact, without a known uncertainty: {', '.join(rest)}.") if rest else []
