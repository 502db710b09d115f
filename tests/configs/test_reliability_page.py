"""The page on faults: every test and code that it names exists."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "reliability.md").read_text(encoding="utf-8")
ROWS = [
    [cell.strip() for cell in line.strip("|").split("|")]
    for line in PAGE.splitlines()
    if line.startswith("|") and not line.startswith("|---")
]
FAULTS = [row for row in ROWS if row[0] != "fault"]


@pytest.mark.parametrize("row", FAULTS, ids=lambda row: row[0])
def test_a_row_names_tests_that_there_are(row: list[str]) -> None:
    assert len(row) == 4
    names = row[3].split(", ")
    assert names
    for name in names:
        path, _, function = name.partition("::")
        text = (ROOT / "tests" / f"{path}.py").read_text(encoding="utf-8")
        assert f"def test_{function}(" in text, name


@pytest.mark.parametrize("row", FAULTS, ids=lambda row: row[0])
def test_a_row_names_codes_that_the_page_of_codes_explains(row: list[str]) -> None:
    errors = (ROOT / "docs" / "errors.md").read_text(encoding="utf-8")
    assert row[2] == "-" or re.fullmatch(r"[EW]\d{3}(, [EW]\d{3})*", row[2])
    for code in re.findall(r"[EW]\d{3}", row[2]):
        assert f"| {code} |" in errors, code


def test_no_fault_is_listed_twice() -> None:
    faults = [row[0] for row in FAULTS]
    assert len(faults) >= 80
    assert len(set(faults)) == len(faults)
