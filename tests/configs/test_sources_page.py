"""The page of open data lists what a look at each server would settle. Run this file to write the list anew."""

from __future__ import annotations

from pathlib import Path

from underoak.report.terminal.source_words import live_look_lines
from underoak.sources.catalogue.catalogue import catalogue

PAGE = Path(__file__).parents[2] / "docs" / "sources.md"
HEAD = "## What one look at each server would settle\n\n"


def generated() -> str:
    return "\n".join(live_look_lines(catalogue())).rstrip("\n") + "\n"


def test_the_page_lists_every_field_that_is_unverified_or_in_conflict():
    text = PAGE.read_text(encoding="utf-8")
    assert text[text.index(HEAD) + len(HEAD) :] == generated()


if __name__ == "__main__":
    before, _, _ = PAGE.read_text(encoding="utf-8").partition(HEAD)
    PAGE.write_text(before + HEAD + generated(), encoding="utf-8")
