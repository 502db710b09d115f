"""Faults of one part of a plan, in plain words, before their place in the file is known."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from difflib import get_close_matches
from typing import NamedTuple

from pydantic import ValidationError
from pydantic_core import ErrorDetails, InitErrorDetails, PydanticCustomError

from underoak.base.errors import did_you_mean
from underoak.plan.reading.yaml import MAX_FAULTS

SOURCE_FIX = 'add `source:`; "common practice, no source" is allowed'


class PendingFault(NamedTuple):
    """A fault before its place is known."""

    code: str
    what: str
    fix: str = ""
    is_key_missing: bool = False
    meant: tuple[str, ...] = ()  # the keys that an unknown key may stand for


def refusal(
    code: str, what: str, fix: str = "", is_key_missing: bool = False, meant: tuple[str, ...] = ()
) -> PydanticCustomError:
    """Return a fault to raise inside a validator.

    >>> refusal("E310", "is negative", "write 0 or more").type
    'E310'
    """
    return PydanticCustomError(
        code, "{what}", {"what": what, "fix": fix, "is_key_missing": is_key_missing, "meant": meant}
    )


def pending_fault(details: ErrorDetails) -> PendingFault:
    """Return the fault that an error raised with `refusal` carries."""
    context = details["ctx"]
    return PendingFault(details["type"], context["what"], context["fix"], context["is_key_missing"], context["meant"])


def plain_errors(error: ValidationError, keys: list[str]) -> Iterator[InitErrorDetails]:
    """Yield the errors of one part in plain words; `keys` are the keys that the part has."""
    for details in error.errors(include_url=False)[:MAX_FAULTS]:
        if not re.fullmatch(r"[EW]\d{3}", details["type"]):
            fault = _plain_fault(details, keys)
            if fault is None:
                continue
            kind = refusal(*fault)
        else:
            kind = refusal(*pending_fault(details))
        loc = details["loc"][:-1] if details["loc"][-1:] == ("[key]",) else details["loc"]
        yield InitErrorDetails(type=kind, loc=loc, input=details["input"])


def shown(value: object) -> str:
    """Return a refused value as text, short enough for a sentence.

    >>> shown("x"), shown(None), shown([1, 2]), shown(True)
    ('"x"', 'nothing', 'a list', 'true')
    """
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "a mapping of keys"
    if isinstance(value, list | tuple):
        return "a list"
    text = str(value)
    text = text if len(text) <= 40 else text[:37] + "..."
    return f'"{text}"' if isinstance(value, str) else text


def _one_of(word: object, known: Iterable[str]) -> str:
    known = list(known)
    return did_you_mean(str(word), known, "write one of: " + ", ".join(known))


def _quoted(text: str) -> list[str]:
    """Return the words in a list of pydantic's such as `'a', 'b' or 4`."""
    return [word.strip("'") for word in re.findall(r"'[^']*'|-?\d+", text)]


def _unknown_key(details: ErrorDetails, keys: list[str]) -> PendingFault:
    key = str(details["loc"][-1])
    meant = tuple(get_close_matches(key, keys, n=2, cutoff=0.6))
    if {"direct", "ranked", "pairwise"} <= set(keys) and not meant:  # a criterion
        return PendingFault("E303", f'the key "{key}" is not known', f"under `weights` write `direct: {{{key}: ...}}`")
    fix = did_you_mean(key, meant, "known here: " + ", ".join(keys))
    return PendingFault("E303", f'the key "{key}" is not known', fix, meant=meant)


def _number(details: ErrorDetails, kind: str) -> PendingFault:
    value: object = details["input"]
    if isinstance(value, str) and value.strip().lower().lstrip("+-.") in {"nan", "inf", "infinity"}:
        return PendingFault("E310", f"should be a finite number, not {shown(value)}", "write a finite number")
    fix = f"write {kind}"
    if isinstance(value, str) and _reads_as_number(value):
        fix = "write the number without quotes"
    elif isinstance(value, str) and _reads_as_number(value.replace(",", ".", 1)):
        fix = f"write {value.strip().replace(',', '.', 1)}, with a point"
    elif isinstance(value, str) and value.strip().endswith("%") and _reads_as_number(value.strip()[:-1]):
        fix = f"write a share, such as {float(value.strip()[:-1]) / 100.0:g}"
    return PendingFault("E304", f"should be {kind}, not {shown(value)}", fix)


def _bound_fix(details: ErrorDetails, name: str) -> str:
    """Return the fix for a number beyond a bound; beyond 1, a percentage may be meant."""
    bound, value = float(details["ctx"][name]), float(details["input"])
    if name in ("le", "lt") and bound == 1.0:
        example = f"{value / 100.0:g}" if 1.0 < value < 100.0 else "0.5"
        return f"write a number {'from 0 to 1' if name == 'le' else 'below 1'}, such as {example}"
    return f"write {_BOUNDS_WRITTEN[name]} {bound:g}"


def _reads_as_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _text(details: ErrorDetails) -> PendingFault:
    value = details["input"]
    fix = "put it in quotes" if isinstance(value, int | float) else ""
    return PendingFault("E304", f"should be text, not {shown(value)}", fix)


def _length(details: ErrorDetails) -> PendingFault | None:
    context, value = details["ctx"], details["input"]
    low, high = context.get("min_length"), context.get("max_length")
    if isinstance(value, str):
        return PendingFault("E304", "should not be empty") if low is not None else _too_long(high)
    count = len(value)
    if (low is None or count >= low) and (high is None or count <= high):
        return None  # its items are at fault, and each has a fault of its own
    number, bound = (high, "no more than") if low is None else (low, "at least")
    return PendingFault("E304", f"needs {bound} {number} value{'' if number == 1 else 's'}, has {count}")


def _too_long(high: object) -> PendingFault:
    return PendingFault("E304", f"is longer than {high} characters", "shorten it")


def _choice(details: ErrorDetails) -> PendingFault:
    value, known = details["input"], _quoted(str(details["ctx"]["expected"]))
    return PendingFault("E304", f"cannot be {shown(value)}", _one_of(value, known))


def _union_tag(details: ErrorDetails) -> PendingFault:
    context = details["ctx"]
    what = f'the {_bare(context["discriminator"])} "{context["tag"]}" is not known'
    return PendingFault("E304", what, _one_of(context["tag"], _quoted(str(context["expected_tags"]))))


def _bare(word: object) -> str:
    return str(word).strip("'")


def _name_fix(name: str) -> str:
    """Return the fix for a name that cannot be used: Latin names come with a capital and a space."""
    usable = re.sub(r"[\s.-]+", "_", name.strip()).strip("_").lower()
    if re.fullmatch(r"[a-z][a-z0-9_]{0,47}", usable):
        return f'write "{usable}"'
    return "use up to 48 letters, digits and _, a letter first"


def _missing(key: int | str) -> PendingFault:
    if isinstance(key, int):
        return PendingFault("E304", f"value {key + 1} is missing", "give every value")
    return PendingFault(
        "E304", f'the key "{key}" is missing', _MISSING_KEY_FIXES.get(key, "add it"), is_key_missing=True
    )


_MISSING_KEY_FIXES = {
    "area": "add `area` or `bounds`",
    "source": SOURCE_FIX,
}
_BOUNDS = {
    "greater_than": ("gt", "more than"),
    "greater_than_equal": ("ge", "at least"),
    "less_than": ("lt", "less than"),
    "less_than_equal": ("le", "at most"),
}
_BOUNDS_WRITTEN = {
    "gt": "a number above",
    "ge": "a number of at least",
    "lt": "a number below",
    "le": "a number of at most",
}
_PLAIN_FAULTS: dict[str, Callable[[ErrorDetails], PendingFault | None]] = {
    "missing": lambda d: _missing(d["loc"][-1]),
    "finite_number": lambda d: PendingFault(
        "E310", f"should be a finite number, not {shown(d['input'])}", "write a finite number"
    ),
    "string_type": _text,
    "string_too_short": lambda d: PendingFault("E304", "should not be empty"),
    "string_too_long": lambda d: _too_long(d["ctx"]["max_length"]),
    "string_pattern_mismatch": lambda d: PendingFault(
        "E304", f"the name {shown(d['input'])} cannot be used", _name_fix(d["input"])
    ),
    "too_short": _length,
    "too_long": _length,
    "literal_error": _choice,
    "union_tag_invalid": _union_tag,
    "union_tag_not_found": lambda d: _missing(_bare(d["ctx"]["discriminator"])),
}


def _plain_fault(details: ErrorDetails, keys: list[str]) -> PendingFault | None:
    """Return an error of pydantic's in plain words; None if another fault reports it already."""
    kind = details["type"]
    if kind in ("extra_forbidden", "invalid_key"):
        return _unknown_key(details, keys)
    if kind in _PLAIN_FAULTS:
        return _PLAIN_FAULTS[kind](details)
    if kind in _BOUNDS:
        name, words = _BOUNDS[kind]
        what = f"should be {words} {details['ctx'][name]:g}, not {shown(details['input'])}"
        return PendingFault("E304", what, _bound_fix(details, name))
    if kind.startswith(("float_", "int_", "decimal_")):
        return _number(details, "a whole number" if kind.startswith("int_") else "a number")
    if kind.startswith("bool_"):
        return PendingFault("E304", f"should be true or false, not {shown(details['input'])}", "write true or false")
    if kind.startswith(("model_", "dict_", "mapping_")):
        return PendingFault("E304", f"should be a mapping of keys, not {shown(details['input'])}")
    if kind.startswith(("list_", "tuple_")):
        return PendingFault("E304", f"should be a list, not {shown(details['input'])}")
    return PendingFault("E304", f"cannot be {shown(details['input'])}")
