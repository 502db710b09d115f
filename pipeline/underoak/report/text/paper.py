"""Plain text for paper and terminals: sections of items, wrapped."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator

WIDTH = 88


def section(head: str, items: Iterable[str]) -> Iterator[str]:
    """A head after an empty line, and its items.

    >>> print("\\n".join(section("Trees", ["10 hazel."])).strip())
    Trees
    - 10 hazel.
    """
    yield ""
    yield head
    for item in items:
        yield from wrapped(item, "- ")


def wrapped(text: str, bullet: str = "") -> list[str]:
    """Lines of a text; a bullet hangs before the first."""
    return textwrap.wrap(
        text, WIDTH, initial_indent=bullet, subsequent_indent=" " * len(bullet), break_long_words=False,
        break_on_hyphens=False,
    )  # fmt: skip
