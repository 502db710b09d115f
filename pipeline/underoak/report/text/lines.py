"""Plain text for terminals and paper: tables in columns, sections of items, sentences in lines of a readable length."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence

WIDTH = 88
_LEFT = ("wanted",)


def columns(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Columns of text, the first and those of words from the left, numbers from the right.

    >>> columns(("criterion", "value"), [("pH", "7.9")])
    ['criterion  value', 'pH           7.9']
    """
    wide = [max(len(line[i]) for line in [head, *rows]) for i in range(len(head))]
    left = [i == 0 or name in _LEFT for i, name in enumerate(head)]
    return [
        "  ".join(f"{text:{'<' if at else '>'}{w}}" for text, w, at in zip(line, wide, left, strict=True)).rstrip()
        for line in [head, *rows]
    ]


def section(head: str, items: Iterable[str]) -> Iterator[str]:
    """A head after an empty line, and its items.

    >>> print("\\n".join(section("Trees", ["10 hazel."])).strip())
    Trees
    - 10 hazel.
    """
    yield ""
    yield head
    for item in items:
        yield from wrapped(f"- {item}", "  ")


def wrapped(text: str, indent: str = "") -> list[str]:
    """A sentence in lines, those after the first behind `indent`."""
    return textwrap.wrap(text, WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
