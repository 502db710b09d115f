"""Rasters are opened at two doors only: `layers` for those that come in, `engine.write` for finished ones."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2] / "pipeline" / "underoak"
DOORS = ("layers/", "engine/write/")


def imports_rasterio(source: str) -> bool:
    for node in ast.walk(ast.parse(source)):
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
        if any(name.split(".")[0] == "rasterio" for name in names):
            return True
    return False


def test_no_other_module_imports_the_raster_library():
    modules = {path.relative_to(ROOT).as_posix(): path for path in ROOT.rglob("*.py")}
    others = {name: path for name, path in modules.items() if not name.startswith(DOORS)}
    assert [name for name, path in others.items() if imports_rasterio(path.read_text(encoding="utf-8"))] == []


@pytest.mark.parametrize("line", ["import rasterio", "def f():\n    from rasterio.errors import RasterioError"])
def test_an_import_is_seen_wherever_it_stands(line):
    assert imports_rasterio(line)
    assert not imports_rasterio(line.replace("rasterio", "raster"))
