"""The differences between two runs that could be the reason for what changed, in parts that can be tested alone."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from underoak.report.comparison.plan_changes import PlanChange, named_parts, part_at

_PARTS = ("layers", "criteria", "constraints", "scenarios")


@dataclass(frozen=True, slots=True)
class Cause:
    """A difference that could be the reason."""

    words: str
    keys: tuple[str, ...] = ()  # of the plan, such as criteria.ph.curve; ("weights",) for all weights
    inputs: tuple[str, ...] = ()  # what reads them: a plan key such as layers.soil_ph
    is_software: bool = False


def causes_of(
    changes: Iterable[PlanChange], inputs: Iterable[str], software: Sequence[str],
    plans: tuple[Mapping[str, Any], Mapping[str, Any]],
) -> tuple[Cause, ...]:  # fmt: skip
    """Return the causes; what needs a layer that only one run has is one cause with that layer.

    Args:
        changes: the keys of the plan that could be a reason.
        inputs: the inputs that could be one.
        software: the names of changed packages.
        plans: both plans as plain values.
    """
    keys = list(dict.fromkeys(change.key for change in changes))
    causes = [Cause("the weights changed", ("weights",))] if any(key.startswith("weights") for key in keys) else []
    causes += [Cause(f"{key} of the plan changed", (key,)) for key in keys if not key.startswith("weights")]
    causes += [Cause(f"input {short(of)} changed", inputs=(of,)) for of in inputs]
    for layer in _in_one_plan("layers", plans):
        causes = _joined(causes, layer, plans)
    if software:
        causes.append(Cause(f"software changed ({', '.join(software)})", is_software=True))
    return tuple(causes)


def short(of: str) -> str:
    """Return the name of an input; a layer without its prefix."""
    return of.removeprefix("layers.")


def _in_one_plan(part: str, plans: tuple[Mapping[str, Any], Mapping[str, Any]]) -> list[str]:
    names = [set(plan.get(part) or ()) for plan in plans]
    return sorted(names[0] ^ names[1])


def _joined(
    causes: Sequence[Cause], layer: str, plans: tuple[Mapping[str, Any], Mapping[str, Any]]
) -> list[Cause]:  # fmt: skip
    """Return the causes with those that need the layer as one, in the place of the first."""
    needs = [cause for cause in causes if _needs(cause, layer, plans)]
    if len(needs) < 2:
        return list(causes)
    words = " and ".join(cause.words for cause in needs)
    keys, inputs = (tuple(name for cause in needs for name in getattr(cause, of)) for of in ("keys", "inputs"))
    joined = Cause(words.replace(" of the plan changed", "").replace(" changed", "") + " changed", keys, inputs)
    return [joined if cause is needs[0] else cause for cause in causes if cause is needs[0] or cause not in needs]


def _needs(cause: Cause, layer: str, plans: tuple[Mapping[str, Any], Mapping[str, Any]]) -> bool:
    if any(of == f"layers.{layer}" or of.startswith((f"layers.{layer}.", f"layers.{layer} ")) for of in cause.inputs):
        return True
    return any(
        layer in (path[1:2] if path[0] == "layers" else ()) or layer in _named_layers(value)
        for key in cause.keys
        for path in (key.split("."),)
        if path[0] in _PARTS
        for value in (part_at(named_parts(plan), path) for plan in plans)
    )


def _named_layers(value: object) -> Iterator[str]:
    """Yield the names of layers in one part of a plan: those it judges or is derived from."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for key in ("layer", "from"):
            named = value.get(key)
            yield from [named] if isinstance(named, str) else named.values() if isinstance(named, Mapping) else ()
