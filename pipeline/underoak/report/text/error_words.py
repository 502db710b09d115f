"""Errors of layers that the plan does not state, in words: those that are assumed, and those that are not known."""

from __future__ import annotations

from collections.abc import Callable

from underoak.base.number_words import NO_VALUE
from underoak.engine.storage.manifest import AssumedErrorRecord, UncertaintyRecord

_UNITS = {"pH": "", "1": "", "dimensionless": "", "percent": " percentage points", "degree": "°", "degC": " °C",
          "delta_degC": " °C", "g/cm^3": " g/cm3"}  # fmt: skip


def amount(error: AssumedErrorRecord) -> str:
    """Return the standard deviation of an assumed error, as people write it.

    >>> record = {"kind": "clay", "sd": 13.7, "is_share": False, "unit": "percent", "grain": None, "cite": "a map",
    ...           "source": "a map", "known": "read", "grade": "B"}
    >>> amount(AssumedErrorRecord.model_validate(record))
    '± 13.7 percentage points'
    """
    if error.is_share:
        return f"± {error.sd * 100:.3g} % of the value"
    return f"± {error.sd:.3g}{_UNITS.get(error.unit, f' {error.unit}' if error.unit else '')}"


def assumed_words(error: AssumedErrorRecord) -> str:
    """Return an assumed error with its source: "assumed ± 0.67 (source; read, grade B)"."""
    grain = f", grain {error.grain}" if error.grain else ""
    known = "" if error.known in error.source else f"; {error.known}"
    return f"assumed {amount(error)}{grain} ({error.source}{known}; grade {error.grade})"


def error_lines(record: UncertaintyRecord | None, label_of: Callable[[str], str]) -> list[str]:
    """Return one sentence for each layer whose error is assumed, not known or switched off; `label_of` labels it."""
    if record is None:
        return []
    lines = [f"{_named(layer, label_of)}: {assumed_words(error)}." for layer, error in record.assumed.items()]
    states = {layer: f"its error is not known ({reason})" for layer, reason in record.unknown.items()}
    states |= dict.fromkeys(record.switched_off, "the plan switches its published error off")
    return lines + [
        f"{_named(layer, label_of)}: {state}. It was treated as exact, so the answer may be less certain than it looks."
        for layer, state in states.items()
    ]


def error_of(record: UncertaintyRecord, layer: str) -> str:
    """Return the error of a layer in a few words, for a column; a dash for a layer that is neither judged nor drawn."""
    if layer in record.assumed:
        error = record.assumed[layer]
        return f"assumed {amount(error)} ({error.cite})"
    if layer in record.layers:
        return record.layers[layer]
    if layer in record.switched_off:
        return "switched off"
    return "not known" if layer in record.unknown else NO_VALUE


def short_error_lines(record: UncertaintyRecord | None) -> list[str]:
    """Return one line each on the errors that are assumed, not known, and switched off, for a table."""
    if record is None:
        return []
    lines = []
    if record.assumed:
        each = (f"{layer} {amount(error)} ({error.cite})" for layer, error in record.assumed.items())
        lines.append(f"Assumed, because the plan states no error: {'; '.join(each)}.")
    if record.unknown:
        lines.append(f"Errors that are not known, treated as exact: {', '.join(record.unknown)}.")
    if record.switched_off:
        lines.append(f"Errors that the plan switches off, treated as exact: {', '.join(record.switched_off)}.")
    return lines


def _named(layer: str, label_of: Callable[[str], str]) -> str:
    label = label_of(layer)
    return f"{label[:1].upper()}{label[1:]}" if label == layer else f"{label[:1].upper()}{label[1:]} ({layer})"
