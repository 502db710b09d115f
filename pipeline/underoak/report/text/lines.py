"""Plain text for terminals and paper: tables in columns, sections of items, sentences in short lines."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence

WIDTH = 88
_LEFT = ("best range", "what it is", "what limits it", "note")


def columns(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Return columns of text, the first and those of words left-aligned, numbers right-aligned.

    >>> columns(("criterion", "value"), [("pH", "7.9")])
    ['criterion  value', 'pH           7.9']
    """
    widths = [max(len(line[i]) for line in [head, *rows]) for i in range(len(head))]
    sides = ["<" if i == 0 or name in _LEFT else ">" for i, name in enumerate(head)]
    return [
        "  ".join(f"{text:{side}{width}}" for text, side, width in zip(line, sides, widths, strict=True)).rstrip()
        for line in [head, *rows]
    ]


def section(head: str, items: Iterable[str]) -> Iterator[str]:
    """Yield a head after an empty line, and its items.

    >>> print("\\n".join(section("Trees", ["10 hazel."])).strip())
    Trees
    - 10 hazel.
    """
    yield ""
    yield head
    for item in items:
        yield from wrapped(f"- {item}", "  ")


def wrapped(text: str, indent: str = "") -> list[str]:
    """Return a sentence in lines, those after the first behind `indent`."""
    return textwrap.wrap(text, WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
