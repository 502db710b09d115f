"""The examples of `judge` in README.md and docs/judge.md are what the command prints.

`python tests/configs/test_judge_page.py` writes them anew.
"""

from __future__ import annotations

import re
from pathlib import Path

from click.testing import CliRunner

from underoak.cli import main

ROOT = Path(__file__).parents[2]
PAGES = (ROOT / "README.md", ROOT / "docs" / "judge.md")
COMMAND = re.compile(r"^underoak (judge tuber_.*)$", re.MULTILINE)
ANSWER = re.compile(r"(begins so:\n\n```\n)(.*?)(```)", re.DOTALL)


def answer(page: str) -> str:
    """The first paragraph that the page's own command prints."""
    command = COMMAND.search(page)
    assert command is not None
    result = CliRunner().invoke(main, command[1].split())
    assert result.exit_code == 0
    return result.stdout.split("\n\n")[0] + "\n"


def renewed(page: str) -> str:
    start = page.index("underoak judge tuber_")
    return page[:start] + ANSWER.sub(lambda match: match[1] + answer(page) + match[3], page[start:], count=1)


def test_the_examples_are_what_the_command_prints():
    for path in PAGES:
        page = path.read_text(encoding="utf-8")
        assert ANSWER.search(page[page.index("underoak judge tuber_") :])
        assert renewed(page) == page, f"run: python {Path(__file__).relative_to(ROOT)}"


if __name__ == "__main__":
    for each in PAGES:
        each.write_text(renewed(each.read_text(encoding="utf-8")), encoding="utf-8")
