"""The page of indicators says what the registry declares. Run this file to write the table anew."""

from __future__ import annotations

from pathlib import Path

from underoak.indicators import REGISTRY

PAGE = Path(__file__).parents[2] / "docs" / "indicators.md"
HEAD = "| `derive:` | from | settings | gives | what | source |"


def told(indicator):
    inputs = ", ".join(
        f"`{name}`" + (f" [{given.unit}]" if given.unit else "") + (" by month" if given.axis == "months" else "")
        for name, given in indicator.inputs.items()
    )
    if indicator.needs_latitude:
        inputs += "; latitude"
    settings = ", ".join(
        f"`{name}`" + ("" if given.default is None else f" {given.default:g} {given.unit}".rstrip())
        if not isinstance(given.default, str)
        else f"`{name}` {given.default}"
        for name, given in indicator.parameters.items()
    )
    kind = "codes" if indicator.gives_codes else "number"
    gives = indicator.unit or (kind if next(iter(indicator.inputs.values())).unit else "its input's unit")
    return f"| `{indicator.id}` | {inputs} | {settings} | {gives} | {indicator.text} | {indicator.source} |"


def table():
    return [HEAD, "|---|---|---|---|---|---|", *(told(indicator) for indicator in REGISTRY.values())]


def test_the_page_has_every_indicator_as_it_is_declared():
    lines = PAGE.read_text(encoding="utf-8").splitlines()
    start = lines.index(HEAD)
    end = next((i for i in range(start, len(lines)) if not lines[i].startswith("|")), len(lines))
    assert lines[start:end] == table()


if __name__ == "__main__":
    before, _, rest = PAGE.read_text(encoding="utf-8").partition(HEAD)
    after = rest[rest.index("\n\n") :] if "\n\n" in rest else "\n"
    PAGE.write_text(before + "\n".join(table()) + after, encoding="utf-8")
