"""The rules of a plan, read from a YAML or CSV file of the user's."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from underoak.base.errors import Problems, UnderoakError, did_you_mean
from underoak.decision.rules.evaluation import FIGURES, TEXTS
from underoak.layers.files import input_path
from underoak.places.tables.fields import TableFields
from underoak.places.tables.text_table import TableColumns, read_rows, read_text
from underoak.plan.keys.decision.rules import RuleFile, RuleSpec
from underoak.plan.reading.faults import pending_fault
from underoak.plan.reading.validation import read_as

if TYPE_CHECKING:
    from underoak.plan.plan import Plan

COLUMNS = TableColumns(
    "rules.file",
    ("rule", "field", "comparison", "threshold", "source", "date"),
    ("amount", "per", "up_to", "ceiling", "note"),
    ("amount", "up_to", "ceiling"),
)
_CONDITION = ("field", "comparison", "threshold")
_NUMBERS = ("amount", "up_to", "ceiling")


def read_rules(plan: Plan, problems: Problems) -> tuple[RuleSpec, ...]:
    """Return the rules of a plan; none without `rules`.

    Faults go to `problems`: E410, E411, E412 as for any table, E3xx in a YAML file, E418 a field that does not exist, a
    comparison that does not suit it, or a rule that cannot be read.
    """
    spec = plan.spec.rules
    if spec is None:
        return ()
    where = f"rules ({spec.file})"
    path = plan.base / spec.file
    if path.suffix.lower() in (".yaml", ".yml"):
        rules = _read_yaml(path, where, problems)
    else:
        rules = _read_csv(path, where, problems)
    names = [rule.rule for rule in rules]
    for name in dict.fromkeys(name for name in names if names.count(name) > 1):
        problems.add("E418", f'two rules are named "{name}"', where, "rename one")
    for rule in rules:
        _check_conditions(rule, plan, where, problems)
    return rules


def _read_yaml(path: Path, where: str, problems: Problems) -> tuple[RuleSpec, ...]:
    try:
        return read_as(RuleFile, input_path(str(path), Path(), where)).rules
    except UnderoakError as error:
        problems.add_error(error)
        return ()


def _read_csv(path: Path, where: str, problems: Problems) -> tuple[RuleSpec, ...]:
    text = read_text(path, COLUMNS.key, where, problems)
    if text is None:
        return ()
    fields, written, lines = TableFields(where, problems), dict[str, dict[str, Any]](), dict[str, int]()
    for line, row in read_rows(text, COLUMNS, "parcel", where, problems):
        name = row["rule"]
        rule = written.setdefault(name, {"rule": name, "when": []})
        lines.setdefault(name, line)
        rule["when"].append({key: row[key] for key in _CONDITION})
        with contextlib.suppress(ValueError):
            rule["when"][-1]["threshold"] = float(row["threshold"])
        for key in (*_NUMBERS, "per", "source", "date", "note"):
            if not row.get(key):
                continue
            value = fields.number(line, key, row[key]) if key in _NUMBERS else row[key]
            if rule.setdefault(key, value) != value:
                what = f'{key} of "{name}" is another than in line {lines[name]}'
                fields.check(False, line, what, "write it once for each rule", "E418")
    rules = []
    for name, rule in written.items():
        try:
            rules.append(RuleSpec.model_validate(rule))
        except ValidationError as error:
            for details in error.errors(include_url=False):
                fault = pending_fault(details)
                key = ".".join(str(step) for step in details["loc"])
                fields.check(False, lines[name], f'rule "{name}": {key} {fault.what}'.strip(), fault.fix, "E418")
    return tuple(rules)


def _check_conditions(rule: RuleSpec, plan: Plan, where: str, problems: Problems) -> None:
    criteria: Mapping[str, object] = {criterion.name: None for case in plan.cases for criterion in case.criteria}
    known = (*FIGURES, *TEXTS, *criteria)
    for condition in rule.when:
        is_word = condition.field in TEXTS
        if condition.field not in known:
            what = f'rule "{rule.rule}": there is no field "{condition.field}"'
            problems.add("E418", what, where, did_you_mean(condition.field, known, f"write one of: {', '.join(known)}"))
        elif is_word != isinstance(condition.threshold, str):
            kind = "words" if is_word else "a number"
            what = f'rule "{rule.rule}": {condition.field} is compared with {kind}'
            problems.add("E418", what, where, f"write {kind}")
        elif is_word != (condition.comparison in ("in", "not in")) and condition.comparison != "=":
            what = f'rule "{rule.rule}": "{condition.comparison}" does not suit {condition.field}'
            problems.add("E418", what, where, "write = , in or not in" if is_word else "write <, <=, >, >= or =")
