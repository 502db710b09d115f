"""JSON as text that a person may print: no character in it moves the cursor, turns text round or is invisible."""

from __future__ import annotations

import json
import re

from underoak.base.errors import printable

_UNPRINTED = re.compile(r"[^\n -~]")


def json_text(value: object, indent: int | None = 2) -> str:
    """Return JSON text of plain values, with letters of any script, and with control and direction marks escaped.

    Raises:
        ValueError: for a number that is not finite, which JSON has no word for.

    >>> print(json_text({"file": "pé\\u202eb\\x9b"}, indent=None))
    {"file": "pé\\u202eb\\u009b"}
    """
    text = json.dumps(value, indent=indent, ensure_ascii=False, allow_nan=False)
    return _UNPRINTED.sub(_escaped, text)


def _escaped(match: re.Match[str]) -> str:
    character = match[0]
    return character if printable(character) == character else json.dumps(character)[1:-1]
