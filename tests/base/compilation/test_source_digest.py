"""A module's digest covers its own source and all that it imports from the package."""

from __future__ import annotations

import ast
from importlib.util import find_spec
from pathlib import Path

from underoak.base.compilation.source_digest import imported_modules, is_unchanged, source_digest

PACKAGE = Path(__file__).parents[3] / "pipeline" / "underoak"


def module_name(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def is_module(name: str) -> bool:
    stem = PACKAGE.parent.joinpath(*name.split("."))
    return stem.with_suffix(".py").is_file() or (stem / "__init__.py").is_file()


def parsed_imports(path: Path) -> set[str]:
    modules: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            modules.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative imports are not looked for"
            names = [f"{node.module}.{alias.name}" for alias in node.names]
            modules.update(name if is_module(name) else str(node.module) for name in names)
    return {name for name in modules if name.split(".")[0] == "underoak"}


def test_every_import_is_found_in_every_module():
    paths = [path for path in sorted(PACKAGE.rglob("*.py")) if "_data" not in path.parts]
    missed = {path.name: parsed_imports(path) - set(imported_modules(module_name(path))) for path in paths}
    assert {name: modules for name, modules in missed.items() if modules} == {}


def test_a_digest_covers_what_is_imported_and_no_more():
    assert imported_modules("underoak.base.exp_log") == ("underoak.base.compiled",)
    kernels = imported_modules("underoak.overlay.class_kernels")
    assert not any(name.startswith(("underoak.plan", "underoak.engine")) for name in kernels)


def test_a_digest_is_one_of_its_module():
    names = ("exp_log", "compiled", "compilation.source_digest")
    digests = {source_digest(f"underoak.base.{name}") for name in names}
    assert len(digests) == 3
    assert all(len(digest) == 64 for digest in digests)


def test_untouched_sources_are_unchanged():
    assert is_unchanged("underoak.base.exp_log")
    assert find_spec("underoak.base.exp_log") is not None
