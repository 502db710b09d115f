"""A plan that loads, as text, and ways to spoil it."""

from __future__ import annotations

from pathlib import Path

from underoak.base.errors import Fault, UnderoakError
from underoak.plan import Plan, load_plan

GOOD = """\
format: 1
title: Limestone hills
purpose: buy
species: [tuber_melanosporum]
hosts: [quercus_ilex]
region: {area: data/region.gpkg, features: outline, crs: EPSG:25831, cell: 30 m, snap: [0, 0]}
trust: {roots: [data], max_cells: 2e9, vrt: simple}
layers:
  soil_ph: {file: data/ph.vrt, unit: pH*10, method: water, valid: [2, 11], resample: nearest, grain: 250 m}
  clay: {file: data/clay.tif, unit: g/kg, resample: mean}
  rock: {file: data/geology.tif, kind: classes}
  elevation: {file: data/dem.tif, unit: m, nodata: -32768}
  slope: {from: elevation, derive: slope}
  rain: {file: data/pr.nc, variable: pr, unit: kg m-2 s-1, season: summer, reduce: sum, to: mm}
criteria:
  rock: {layer: rock, curve: {shape: table, of: {1: 1.0, 2: 0.6, 3: 0.0}}, weight: 0.1, source: survey legend}
  water: {layer: rain, source: profile}
constraints:
  - {name: built, file: data/built.gpkg, exclude: inside, grow: 20 m}
  - {name: steep, layer: slope, exclude: "> 30 degree"}
combine: {rule: geometric, missing: stop}
classes: {S1: 0.75, S2: 0.50, S3: 0.25, cap: weakest}
parcels: {file: data/fields.gpkg, id: field_id}
zones: {at_least: S2, min_area: 2 ha, connect: 8}
outputs: {folder: out, dtype: uint16}
"""


def spoiled(*edits: tuple[str, str]) -> str:
    """The good plan with texts replaced; each must be there exactly once."""
    text = GOOD
    for old, new in edits:
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in the plan"
        text = text.replace(old, new)
    return text


def loaded(text: str, folder: Path, **options: bool) -> Plan:
    path = folder / "plan.yaml"
    path.write_text(text, encoding="utf-8")
    return load_plan(path, **options)


def faults(text: str, folder: Path, **options: bool) -> tuple[Fault, ...]:
    """What loading tells; the file's folder is cut off the places."""
    try:
        loaded(text, folder, **options)
    except UnderoakError as error:
        here = f"{folder}/"
        return tuple(Fault(f.code, f.what, f.where.replace(here, ""), f.fix) for f in error.faults)
    return ()


def place(text: str, mark: str) -> str:
    """`line:column` of the first place where `mark` stands."""
    before = text[: text.index(mark)]
    return f"{before.count(chr(10)) + 1}:{len(before) - (before.rfind(chr(10)) + 1) + 1}"
