"""What a parcel's suitability depends on, in words: shares of its doubt, how far each input moves it, the next rank."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from underoak.base.errors import Fault, UnderoakError
from underoak.places.verdicts.saved_cells import SavedCells
from underoak.places.verdicts.sensitivity import FirstTwo, Sensitivity, sensitivity_of, swap_of_first_two
from underoak.report.text.answer_words import CAUTIONS, percent, score, swap_words
from underoak.report.text.criterion_words import measure
from underoak.report.text.explanation import criteria_of
from underoak.report.text.findings import CriterionWords
from underoak.report.text.lines import columns, wrapped

if TYPE_CHECKING:
    import pandas as pd

_T90 = 1.895  # two-sided 90 % of Student's t with 7 degrees of freedom: indices are means of 8 repeats


def sensitivity_in(kept: SavedCells, parcel: str) -> Sensitivity:
    """What one of the kept parcels depends on.

    Raises:
        UnderoakError: E609 when its cells were not kept, or nothing says how far any of its layers may be off there.
    """
    place = kept.place(parcel)
    criteria = [(layer, curve) for _, layer, curve in kept.criteria]
    found = sensitivity_of(kept.cells, place, criteria, kept.rules, kept.sds_of(place), seed=kept.seed)
    if found is None:
        what = f'nothing says how far any layer may be off on parcel "{parcel}"'
        raise UnderoakError(Fault("E609", what, fix="look whether its `sd` is 0, or its quantiles are missing there"))
    return found


def swap_in(kept: SavedCells, parcels: pd.DataFrame | None) -> FirstTwo | None:
    """The least change of one weight that brings the first two parcels of a run level, as its report says."""
    if parcels is None:
        return None
    return swap_of_first_two(parcels, kept.ids, kept.cells, [name for name, _, _ in kept.criteria], kept.rules)


def sensitivity_words(
    case: Mapping[str, Any], kept: SavedCells, parcel: str, found: Sensitivity, first_two: FirstTwo | None
) -> str:
    """A parcel's sensitivity for people; `view` is that of the run's manifest."""
    criteria, sds = criteria_of(case), kept.sds_of(kept.place(parcel))
    indices = found.indices
    of_layer = {layer: [c for c in criteria if c.layer == layer] for layer in found.layers}
    names = {layer: ", ".join(c.label for c in own) for layer, own in of_layer.items()}
    order = sorted(range(len(found.layers)), key=lambda i: (-indices.total[i], i))
    rows = [
        (
            names[found.layers[i]],
            measure(sds[found.layers[i]], of_layer[found.layers[i]][0].unit),
            _share(indices.first[i], indices.first_error[i]),
            _share(indices.total[i], indices.total_error[i]),
            f"{score(found.swings[i].min())} to {score(found.swings[i].max())}",
        )
        for i in order
    ]
    lines = [
        f"Parcel {parcel}: what its suitability depends on.",
        *wrapped(
            f"With every map off by what the plan says it may be, its suitability is {score(indices.mean)} on average, "
            f"with a standard deviation of {score(indices.variance**0.5)}."
        ),
        "",
        *columns(("input", "off by", "alone", "in all", "suitability"), rows),
        "",
        *wrapped(
            "off by: standard deviation of the map's mean over the parcel. alone: share of the doubt that knowing this "
            "input would take away (Sobol' first order). in all: share that would be left if all others were known "
            "(Sobol' total). suitability: when this input alone goes from its 5 % to its 95 % quantile, the others as "
            "mapped. Behind ±, 90 % confidence of the estimate."
        ),
        "",
        *_told(found, names, order),
        *_silent(criteria, found.layers),
    ]
    order_words = swap_words(first_two, criteria)
    lines += ["", "Order of the first two parcels:", *wrapped(order_words)] if order_words else []
    return "\n".join([*lines, "", *wrapped(CAUTIONS[0])])


def _share(index: float, error: float) -> str:
    return f"{percent(min(max(float(index), 0.0), 1.0))} ± {100.0 * _T90 * float(error):.0f}"


def _told(found: Sensitivity, names: Mapping[str, str], order: Sequence[int]) -> list[str]:
    """The same in a sentence or two."""
    indices = found.indices
    if not indices.variance > 0.0:
        return wrapped("None of these inputs moves its suitability, however far off they are: curves are level there.")
    first = order[0]
    low, high = sorted(found.swings[first].tolist())
    lines = wrapped(
        f"It depends most on {names[found.layers[first]]}: a test of it would take away about "
        f"{percent(min(max(float(indices.first[first]), 0.0), 1.0))} of the doubt, and it alone moves suitability from "
        f"{score(low)} to {score(high)}."
    )
    together = 1.0 - float(indices.first.sum())
    if together > max(0.05, _T90 * float((indices.first_error**2).sum() ** 0.5)):
        lines += wrapped(f"{percent(together)} of the doubt comes of several inputs together.")
    return lines


def _silent(criteria: Sequence[CriterionWords], layers: Sequence[str]) -> list[str]:
    """The criteria that were taken at their word."""
    rest = [c.label for c in criteria if c.layer not in layers]
    return wrapped(f"Taken as mapped, as nothing says how far off they may be: {', '.join(rest)}.") if rest else []
