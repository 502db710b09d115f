"""Rules of the STAC extensions that a run's item declares, each with the text it is from.

The schemas of the extensions do not come with any library here. "Read" names the text that was read; where that is
of a neighbouring version, the rule says so.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

Check = Callable[[Any], bool]


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _count(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0


def _text(pattern: str) -> Check:
    return lambda value: isinstance(value, str) and re.fullmatch(pattern, value) is not None


def _text_or_null(pattern: str) -> Check:
    return lambda value: value is None or _text(pattern)(value)


def _list(item: Check, *lengths: int) -> Check:
    return lambda value: isinstance(value, list) and len(value) in lengths and all(item(entry) for entry in value)


def _class(value: Any) -> bool:
    fields: dict[str, Check] = {
        # read: schema of classification v1.1.0: `value` and `name` are required; colour as six hexadecimal digits.
        "value": lambda value: isinstance(value, int) and not isinstance(value, bool),
        # letters, digits, "-" and "_" only: from memory, of v2.0.0
        "name": _text(r"[0-9A-Za-z_-]+"),
        "description": _text(r"(?s).*"),
        "color_hint": _text(r"[0-9A-Fa-f]{6}"),
        # read: examples that declare v2.0.0, not its schema
        "title": _text(r"(?s).+"),
        "nodata": lambda value: isinstance(value, bool),
    }
    return (
        isinstance(value, dict)
        and {"value", "name"} <= set(value)
        and set(value) <= set(fields)
        and all(fields[name](entry) for name, entry in value.items())
    )


def _classes(value: Any) -> bool:
    # read: schema of classification v1.1.0: at least one, no two alike. That values differ is a rule of ours.
    return bool(value) and all(map(_class, value)) and len({entry["value"] for entry in value}) == len(value)


# address without prefix; the fields that an item of ours may have; the places they may stand in
RULES: dict[str, tuple[str, dict[str, Check], set[str]]] = {
    "proj": (
        "projection/v2.0.0",
        {
            # read: README on the way to v2.0.0 (`proj:epsg` removed, `proj:code` is text): "AUTHORITY:CODE" or null
            "proj:code": _text_or_null(r"[^:\s]+:[^:\s]+"),
            "proj:wkt2": _text_or_null(r"(?s).+"),  # read: the same
            "proj:shape": _list(_count, 2),  # read: schema of v1.1.0, two integers; README: rows first
            "proj:transform": _list(_number, 6, 9),  # read: schema of v1.1.0
        },
        {"properties", "asset"},
    ),
    "file": (
        "file/v2.1.0",
        {
            "file:size": _count,  # read: schema of v2.1.0
            # read: schema of v2.1.0, hexadecimal in small letters; SHA-256 as a multihash begins with 1220: from memory
            "file:checksum": _text(r"1220[a-f0-9]{64}"),
        },
        {"asset"},
    ),
    "raster": (
        "raster/v2.0.0",
        # read: schema of v2.0.0-beta.1; the change log names no change from it to v2.0.0
        {"raster:scale": _number, "raster:offset": _number},
        {"properties", "asset", "band"},
    ),
    "classification": (
        "classification/v2.0.0",
        {"classification:classes": _classes},  # read: schema and README of v1: in an asset or in its bands
        {"asset", "band"},
    ),
}


def faults(item: dict[str, Any]) -> list[str]:
    """Return what in an item is not as its extensions have it; none for a valid item."""
    return list(_faults(item))


def _faults(item: dict[str, Any]) -> Iterator[str]:
    used = set()
    for place, record in _places(item):
        for name, value in record.items():
            prefix, colon, _ = name.partition(":")
            if not colon:
                continue
            used.add(prefix)
            _, fields, places = RULES.get(prefix, ("", {}, set()))
            if name not in fields or place not in places:
                yield f"{name} has no place in {place}"
            elif not fields[name](value):
                yield f"{name} may not be {value!r}"
    addresses = {f"https://stac-extensions.github.io/{RULES[prefix][0]}/schema.json" for prefix in used & set(RULES)}
    # read: schema of raster v2.0.0-beta.1 and README of projection: at least one field; for the others it is our rule
    if set(item["stac_extensions"]) != addresses or len(item["stac_extensions"]) != len(addresses):
        yield f"declared {item['stac_extensions']}, used {sorted(addresses)}"
    properties = item["properties"]
    # read: README of projection: without a code the system is given as WKT2 or PROJJSON
    if properties.get("proj:code") is None and not properties.get("proj:wkt2"):
        yield "no coordinate system"


def _places(item: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    yield "properties", item["properties"]
    for asset in item["assets"].values():
        yield "asset", asset
        yield from (("band", band) for band in asset.get("bands", ()))
