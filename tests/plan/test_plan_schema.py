from __future__ import annotations

import json

import pytest
from jsonschema import Draft202012Validator
from test_plan_loading import DESIGN

from underoak.plan import PURPOSES, load_plan, new, plan_schema, shipped
from underoak.plan.reading.yaml import parse

from plan_texts import GOOD, spoiled

SCHEMA = plan_schema()
VALIDATOR = Draft202012Validator(SCHEMA)
PLANS = sorted(shipped("configs", "plans").glob("*.yaml"))


def errors(text: str) -> list[str]:
    return [error.message for error in VALIDATOR.iter_errors(parse(text, "p").value)]


def test_the_schema_is_valid_and_plain_json() -> None:
    Draft202012Validator.check_schema(SCHEMA)
    assert json.loads(json.dumps(SCHEMA)) == SCHEMA
    assert SCHEMA["$schema"].endswith("2020-12/schema")


@pytest.mark.parametrize("text", [GOOD, DESIGN], ids=["good", "design"])
def test_a_good_plan_fits_the_schema(text: str) -> None:
    assert errors(text) == []


@pytest.mark.parametrize("path", PLANS, ids=lambda path: path.stem)
def test_the_shipped_plans_fit_the_schema_and_load(path) -> None:
    assert errors(path.read_text(encoding="utf-8")) == []
    assert load_plan(path).criteria


@pytest.mark.parametrize("purpose", PURPOSES)
def test_the_starters_fit_the_schema(tmp_path, purpose: str) -> None:
    assert errors(new(tmp_path, purpose)[0].read_text(encoding="utf-8")) == []


def test_the_canonical_form_fits_the_schema() -> None:
    canonical = load_plan(parse(GOOD, "p").value).canonical()
    assert [e.message for e in VALIDATOR.iter_errors(canonical)] == []


@pytest.mark.parametrize(
    "edits",
    [
        [("species:", "speceis:")], [("method:", "metod:")], [("purpose: buy", "purpose: by")],
        [("{shape: table", "{shape: tabel")], [("weight: 0.1", "weight: -1")], [("cell: 30 m", "cell: 30")],
        [("format: 1", "format: 2")], [("id: field_id", "id: 7")],
        [("{area: data/region.gpkg, features: outline", "{bounds: [0, 0, 1, 1], area: x")], [("{area:", "{zone:")],
        [("clay: {file: data/clay.tif", "clay: {from: elevation, derive: slope, file: x")], [("  clay:", "  clay 1:")],
        [("exclude: inside", "exclude: within")], [("[tuber_melanosporum]", "[a b]")], [("connect: 8", "connect: 5")],
        [("combine:", "weights: {ranked: [ph], direct: {ph: 1}}\ncombine:")], [("title: Limestone hills\n", "")],
    ],
    ids=lambda edits: edits[0][1][:24],
)  # fmt: skip
def test_a_fault_an_editor_can_see_is_marked(edits: list[tuple[str, str]]) -> None:
    assert errors(spoiled(*edits)) != []


def test_every_key_is_described() -> None:
    parts = {"plan": SCHEMA, **SCHEMA["$defs"]}
    keys = [(name, key, value) for name, part in parts.items() for key, value in part.get("properties", {}).items()]
    assert len(keys) > 80
    bare = [(name, key) for name, key, value in keys if not (value if "description" in value else _target(value))]
    assert bare == []


def _target(value: dict[str, str]) -> str:
    """A part that a key holds may speak for the key."""
    return SCHEMA["$defs"][value["$ref"].split("/")[-1]]["description"]
