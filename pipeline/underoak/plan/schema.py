"""The plan's JSON Schema, so that editors can complete keys and mark faults while a plan is written."""

from __future__ import annotations

from typing import Any

from underoak.plan.keys.plan_keys import PlanSpec

DRAFT = "https://json-schema.org/draft/2020-12/schema"


def plan_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a plan as its author writes it.

    It knows keys, types and choices; what needs the rest of the plan, or units, `load_plan` checks.

    >>> plan_schema()["required"]
    ['format', 'title', 'purpose', 'region', 'layers']
    """
    made: dict[str, Any] = _tidied(PlanSpec.model_json_schema(by_alias=True, mode="validation"))
    return {"$schema": DRAFT, **made, "title": "underoak plan"}


def _tidied(node: Any) -> Any:
    """Without what only other tools read, and with names that fit no pattern refused."""
    if isinstance(node, list):
        return [_tidied(item) for item in node]
    if not isinstance(node, dict):
        return node
    kept = {key: _tidied(value) for key, value in node.items() if key != "discriminator" and not _is_title(key, value)}
    if "patternProperties" in kept:
        kept.setdefault("additionalProperties", False)
    return kept


def _is_title(key: str, value: Any) -> bool:
    """A made-up title; a key of the plan that is called `title` holds a mapping."""
    return key == "title" and isinstance(value, str)
