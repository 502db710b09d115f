"""JSON Schema of a plan, with which editors complete keys and mark faults."""

from __future__ import annotations

from typing import Any

from underoak.plan.keys.plan_keys import PlanSpec

DRAFT = "https://json-schema.org/draft/2020-12/schema"


def plan_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a plan.

    It covers keys, types and choices. `load_plan` also checks units, and the parts against each other.

    >>> plan_schema()["required"]
    ['format', 'title', 'purpose', 'region', 'layers']
    """
    schema = _simplify(PlanSpec.model_json_schema(by_alias=True, mode="validation"))
    return {"$schema": DRAFT, **schema, "title": "underoak plan"}


def _simplify(node: Any) -> Any:
    """Remove generated titles and discriminators, and refuse names that match no pattern."""
    if isinstance(node, list):
        return [_simplify(item) for item in node]
    if not isinstance(node, dict):
        return node
    simple = {
        key: _simplify(value)
        for key, value in node.items()
        if key != "discriminator" and not _is_generated_title(key, value)
    }
    if "patternProperties" in simple:
        simple.setdefault("additionalProperties", False)
    return simple


def _is_generated_title(key: str, value: object) -> bool:
    """Return True for a generated title; the plan's key `title` has a mapping as its value."""
    return key == "title" and isinstance(value, str)
