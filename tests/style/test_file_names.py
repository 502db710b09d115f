"""Names of test files: pytest imports them by their bare names, so two of one name cannot run together."""

from collections import Counter
from pathlib import Path


def test_no_two_test_files_have_one_name() -> None:
    names = Counter(path.name for path in Path(__file__).parents[1].rglob("test_*.py"))
    assert [name for name, count in names.items() if count > 1] == []
