"""What lies near a parcel, in sentences."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from underoak.base.errors import count_of
from underoak.base.number_words import hectares, metres
from underoak.plan.keys.decision.neighbours import NeighbourKind, NeighbourSpec
from underoak.plan.keys.plan_keys import PlanSpec
from underoak.plan.keys.quantities import quantity_in

NEIGHBOURS = "What lies near it"
NO_SCORE = (
    "Distances and areas as in your own files; what they lack is not here. None of it changes a suitability or a "
    "verdict."
)
_MEANINGS: Mapping[NeighbourKind, str] = {  # common practice, no source
    "orchard": "Truffle orchards nearby bring dogs, buyers and know-how, and truffle beetles and thieves too.",
    "wood": (
        "Trees at the edge bring shade, and other fungi to the roots of planted trees. Where a wood is near, clearing, "
        "fencing and earthworks may need a permit: ask the authority."
    ),
    "road": "A road brings access, and thieves.",
    "house": "Houses bring power, water and watchful eyes, and neighbours to ask about dogs and spraying.",
    "water": "Water nearby is no right to it: ask the water authority.",
}


def neighbour_words(plan: PlanSpec, row: Mapping[str, Any]) -> list[str]:
    """Return a sentence for each file under `neighbours`, by the row of a parcel; nothing where none was measured."""
    files = {name: spec for name, spec in plan.neighbours.items() if f"shapes_{name}" in row}
    return [
        f"{name.replace('_', ' ')}: {'; '.join(_parts(name, spec, row))}."
        for name, spec in files.items()
        if row[f"shapes_{name}"] >= 0  # a parcel without a shape has no neighbours
    ]


def kind_words(plan: PlanSpec) -> list[str]:
    """Return a sentence on each kind of neighbour in the plan: what it may mean for an orchard."""
    kinds = dict.fromkeys(spec.kind for spec in plan.neighbours.values())
    return [_MEANINGS[kind] for kind in kinds if kind in _MEANINGS]


def _parts(name: str, spec: NeighbourSpec, row: Mapping[str, Any]) -> Iterator[str]:
    within, count = metres(quantity_in(spec.within, "m")), int(row[f"shapes_{name}"])
    if not count:
        yield f"none within {within}"
        return
    edge, distance = float(row.get(f"edge_m_{name}", 0.0)), float(row[f"distance_m_{name}"])
    if edge > 0.0:
        total = hectares(float(row[f"whole_ha_{name}"]))
        yield f"along {metres(edge)} of its edge; what is there has {total} in all"
    else:
        yield "next to it" if distance <= spec.touching_m else f"the nearest at {metres(distance)}"
    area = float(row.get(f"hectares_{name}", 0.0))
    yield f"{count_of(count, 'shape')}{f', {hectares(area)},' if area > 0.0 else ''} within {within}"
