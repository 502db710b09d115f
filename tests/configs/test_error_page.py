"""The page of codes knows every code the package can tell, and no other."""

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]


def on_the_page():
    text = (ROOT / "docs" / "errors.md").read_text(encoding="utf-8")
    codes = set(re.findall(r"\b[EW]\d{3}\b", text))
    for first, last in re.findall(r"\bE(\d{3})–E(\d{3})\b", text):
        codes |= {f"E{n}" for n in range(int(first), int(last) + 1)}
    return codes


def in_the_package():
    sources = (path.read_text(encoding="utf-8") for path in (ROOT / "pipeline").rglob("*.py"))
    return {code for text in sources for code in re.findall(r'"([EW]\d{3})"', text)}


def test_every_code_is_explained():
    assert in_the_package() - on_the_page() == set()


def test_no_code_is_explained_that_cannot_be_told():
    assert on_the_page() - in_the_package() == set()
