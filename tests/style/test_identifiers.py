"""Names inside functions say what they hold: filler words are no names."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "pipeline" / "underoak"
FILLERS = {"found", "told", "said", "own", "made", "kept", "held", "asked", "which", "whole"}


def stored_names(tree: ast.AST) -> Iterator[tuple[str, int]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield node.id, node.lineno
        elif isinstance(node, ast.arg):
            yield node.arg, node.lineno


def fillers(path: Path) -> list[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return [f"{path.name}:{line} {name}" for name, line in stored_names(tree) if name in FILLERS]


@pytest.mark.parametrize("hall", sorted({path.name for path in PACKAGE.iterdir()} - {"__pycache__"}))
def test_no_name_in_a_hall_is_a_filler(hall: str) -> None:
    top = PACKAGE / hall
    files = sorted(top.rglob("*.py")) if top.is_dir() else [top] * (top.suffix == ".py")
    assert [row for path in files for row in fillers(path)] == []


def test_a_filler_is_seen(tmp_path: Path) -> None:
    path = tmp_path / "a.py"
    path.write_text("def f(told):\n    found, n = told, 1\n    return found.kept\n")
    assert fillers(path) == ["a.py:1 told", "a.py:2 found"]
