"""Data sets of the catalogue as a list and as a page, and what a look at their servers would settle."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from underoak.sources.catalogue.data_set import THEMES, Band, DataSet, facts
from underoak.sources.catalogue.fact import Fact

_THEME_WORDS = {
    "elevation": "elevation",
    "soil": "soil",
    "climate": "climate",
    "land_cover": "land cover",
    "trees": "trees",
    "rock": "rock",
    "parcels": "parcels",
    "protected_ground": "protected ground",
}
_ACCESS_WORDS = {"open": "gather", "by_hand": "by hand"}


def source_list(sets: Mapping[str, DataSet]) -> str:
    """Return one line for each data set, by theme, with how it is fetched and its licence."""
    width = max(map(len, sets))
    lines = []
    for theme in THEMES:
        of_theme = {name: each for name, each in sets.items() if each.theme == theme}
        if not of_theme:
            continue
        lines.append(_THEME_WORDS[theme])
        for name, each in sorted(of_theme.items(), key=lambda item: (item[1].access != "open", item[0])):
            licence = f"{each.licence.value.split(';')[0]} [{each.licence.known}]"
            lines.append(f"  {name:<{width}}  {_ACCESS_WORDS[each.access]:<7}  {each.title}; {licence}")
    lines.append("")
    lines.append(
        "gather: files that can be read by address. by hand: `underoak sources NAME` says why, and where to put it."
    )
    lines.append("[seen] in print, [derived] from that, [unverified], in [conflict]; no server was asked.")
    return "\n".join(lines)


def source_page(name: str, data_set: DataSet) -> str:
    """Return all that the catalogue has on one data set, each field with how it is known."""
    lines = [f"{data_set.title} ({name})", f"{_THEME_WORDS[data_set.theme]}, {data_set.form}"]
    if data_set.about:
        lines.append(f"It shows {data_set.about}." if data_set.access == "open" else f"Use: {data_set.about}.")
    if data_set.access == "by_hand":
        lines += [f"underoak does not fetch it: {data_set.why}.", f"By hand: {data_set.put}."]
    lines.append("")
    lines += _field_lines(data_set)
    if data_set.tiles is not None:
        lines += ["", f"tiles: {data_set.tiles.rule}", *_lines_of("  ", _facts_of(data_set.tiles))]
    for example in data_set.examples:
        longitude, latitude = example.at
        lines.append(f"  example  {longitude:g}, {latitude:g} {example.band}: {example.address}")
    if data_set.header is not None:
        lines += ["", "header that a file must have", *_lines_of("  ", _facts_of(data_set.header))]
    if data_set.bands:
        pattern = "/".join(["<band>", *(f"<{choice}>" for choice in data_set.choices)])
        lines += ["", f"bands, written {pattern}"]
        for band_name, band in data_set.bands.items():
            lines += _band_lines(band_name, band)
        lines += _lines_of("  ", ((choice, fact) for choice, fact in data_set.choices.items()))
    if data_set.traps:
        lines += ["", "what newcomers get wrong"]
        lines += [f"  - {fact.value}{_mark(fact)}{_note(fact)}" for fact in data_set.traps]
    lines += ["", "evidence", *(f"  {key}: {text}" for key, text in data_set.evidence.items())]
    return "\n".join(lines)


def live_look_lines(sets: Mapping[str, DataSet]) -> list[str]:
    """Return a Markdown list of what one look at each server would settle: all that is unverified or in conflict."""
    lines = []
    for name, data_set in sets.items():
        unsure = [(where, fact) for where, fact in facts(data_set) if fact.is_unsure]
        if not unsure:
            continue
        lines += [f"### {data_set.title} (`{name}`)", ""]
        for where, fact in unsure:
            lines.append(f"- `{where}`: {_value(fact.value)} ({fact.known}){_note(fact)}")
        lines.append("")
    return lines


def _field_lines(data_set: DataSet) -> list[str]:
    shown = {"tiles", "header", "bands", "choices", "traps", "examples"}
    fields = ((n, getattr(data_set, n)) for n in type(data_set).model_fields if n not in shown)
    return _lines_of("", ((n, value) for n, value in fields if isinstance(value, Fact)))


def _band_lines(name: str, band: Band) -> list[str]:
    lines = [f"  {name}: {band.text}" + (", twelve months" if band.months else "")]
    lines += _lines_of("    ", _facts_of(band))
    if band.classes:
        lines.append("    " + ", ".join(f"{code} {text}" for code, text in band.classes.items()))
    return lines


def _facts_of(part: Any) -> Iterator[tuple[str, Fact[Any]]]:
    yield from ((where, fact) for where, fact in facts(part))


def _lines_of(indent: str, entries: Any) -> list[str]:
    rows = list(entries)
    width = max((len(where) for where, _ in rows), default=0)
    return [f"{indent}{where:<{width}}  {_value(fact.value)}{_mark(fact)}{_note(fact)}" for where, fact in rows]


def _value(value: Any) -> str:
    if isinstance(value, tuple):
        return ", ".join(map(_value, value))
    if isinstance(value, dict):
        return ", ".join(f"{key:g}: {_value(inner)}" for key, inner in value.items())
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _mark(fact: Fact[Any]) -> str:
    by = f", {fact.evidence}" if fact.evidence else ""
    return f" [{fact.known}{by}]"


def _note(fact: Fact[Any]) -> str:
    return f": {fact.note}" if fact.note else ""
