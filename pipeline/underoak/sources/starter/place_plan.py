"""A starter plan for a place: the starter of a purpose, with grid, layers and parcels filled in."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path

from underoak.base import crs as _crs
from underoak.base.errors import Fault, Problems, UnderoakError
from underoak.base.grid import Bounds
from underoak.layers.formats.vector import read_features
from underoak.plan.profiles.profile import load_profile
from underoak.plan.starter import starter_plan, write_starter
from underoak.sources.starter.place_grid import PlaceGrid, place_grid
from underoak.sources.starter.place_layers import layer_lines

_SQUARE_M = 200.0  # side of the drawn parcel
_ID_NAMES = ("id", "parcel_id", "field_id", "name")
_AROUND_PARCELS_M = 1000.0


def new_at(
    folder: Path, purpose: str, *, at: tuple[float, float] | None = None, radius_m: float | None = None,
    parcels: Path | None = None,
) -> tuple[list[Path], PlaceGrid]:  # fmt: skip
    """Write a plan for a place that `underoak gather` can fill, and a README; return the paths and the grid.

    Args:
        folder: where the plan goes.
        purpose: buy, orchard, restore or region.
        at: latitude and longitude.
        radius_m: how far around it [m].
        parcels: a GeoPackage or GeoJSON file, instead of a place.

    Raises:
        UnderoakError: E304 an unknown purpose, place or radius; E306, E502 as for `new`; E2xx, E4xx of the parcels.
    """
    text = starter_plan(purpose)
    extra: dict[str, str] = {}
    if parcels is not None:
        degrees, field = _parcels(parcels)
        grid = place_grid(degrees, radius_m if radius_m is not None else _AROUND_PARCELS_M)
        file = Path(os.path.relpath(parcels.resolve(), folder.resolve())).as_posix()
        parcel_lines = [f"  file: {json.dumps(file)}", f"  id: {json.dumps(field)}  # <-- the field with their ids"]
    else:
        assert at is not None, "either a place or parcels"
        latitude, longitude = at
        grid = place_grid((longitude, latitude, longitude, latitude), radius_m if radius_m is not None else 5000.0)
        extra = {"data/square.geojson": _square(latitude, longitude, grid)}
        parcel_lines = [
            "  file: data/square.geojson                   # <-- a square of 4 ha that stands for your parcels",
            "  id: id                                      # <-- the field with their ids",
        ]
    text = _filled(text, grid, parcel_lines)
    if "\nparcels:" not in text:
        extra = {}
    readme = _readme(grid)
    return write_starter(folder, {"plan.yaml": text, "README.txt": readme, **extra}), grid


def _filled(text: str, grid: PlaceGrid, parcel_lines: list[str]) -> str:
    """Return a starter with its region, layers, built-up ground and parcels replaced."""
    match = re.search(r"^species: \[(\w+)\]", text, re.MULTILINE)
    assert match is not None, "a starter names a species"
    criteria = load_profile(match[1]).criteria.values()
    layers = list(dict.fromkeys(criterion.layer for criterion in criteria))
    region = [
        "region:                                       # the land that is judged, and the size of the cells",
        f"  bounds: {list(grid.bounds)}  # left, bottom, right, top, with a margin",
        f"  crs: {json.dumps(grid.crs)}  # {grid.crs_reason}",
        f"  cell: {grid.cell_m} m  # {grid.cell_reason}",
        "",
    ]
    text = _between(text, "region:", "trust:", region)
    carbonate = text[text.index("# No global map has carbonate") : text.index("  elevation:\n")].splitlines()
    text = _between(text, "layers:", "# Land that is excluded", [*layer_lines(layers), *carbonate, ""])
    cover = '  - {name: built_up, layer: land_cover, exclude: "in 50, 80"}         # built-up ground and water'
    text = re.sub(r"^# - \{name: built_up.*$", cover, text, flags=re.MULTILINE)
    block = re.search(r"^parcels:\n(?:  .*\n)+", text, re.MULTILINE)
    if block is not None:
        text = text.replace(block[0], "\n".join(["parcels:", *parcel_lines]) + "\n")
    gather = "#   underoak gather plan.yaml     fetches the files that are named below\n#   underoak check plan.yaml  "
    return text.replace("#   underoak check plan.yaml  ", gather, 1).replace(
        "# Change the lines marked with <--, put your files where the plan names them, then:",
        "# Grid and layers are filled in for a place. Change the lines marked with <--, then:",
    )


def _between(text: str, start: str, end: str, lines: list[str]) -> str:
    first = re.search(rf"^{re.escape(start)}", text, re.MULTILINE)
    last = re.search(rf"^{re.escape(end)}", text, re.MULTILINE)
    assert first is not None
    assert last is not None
    return text[: first.start()] + "\n".join(lines) + "\n" + text[last.start() :]


def _parcels(path: Path) -> tuple[Bounds, str]:
    """Return the bounds of parcels in degrees, and a field that tells them apart.

    Raises:
        UnderoakError: as for any file of shapes; E406 if no field tells them apart.
    """
    problems = Problems()
    shapes = read_features(path, None, "EPSG:4326", problems=problems, where="--parcels")
    problems.stop_if_any()
    names = [str(name) for name in shapes.columns if name not in ("geometry", "_note")]
    names.sort(key=lambda name: _ID_NAMES.index(name.lower()) if name.lower() in _ID_NAMES else len(_ID_NAMES))
    field = next((name for name in names if shapes[name].notna().all() and shapes[name].is_unique), None)
    if field is None:
        what = f"{path.name} has no field with another value for each parcel"
        raise UnderoakError(Fault("E406", what, "--parcels", "add one, such as id"))
    west, south, east, north = map(float, shapes.total_bounds)
    return (west, south, east, north), field


def _square(latitude: float, longitude: float, grid: PlaceGrid) -> str:
    """Return a square around a place as GeoJSON."""
    x, y = _crs.transformer("EPSG:4326", grid.crs).transform(longitude, latitude)
    back, half = _crs.transformer(grid.crs, "EPSG:4326"), _SQUARE_M / 2.0
    corners = [(-half, -half), (half, -half), (half, half), (-half, half), (-half, -half)]
    ring = [[round(value, 7) for value in back.transform(x + dx, y + dy)] for dx, dy in corners]
    geometry = {"type": "Polygon", "coordinates": [ring]}
    feature = {"type": "Feature", "properties": {"id": "here"}, "geometry": geometry}
    return json.dumps({"type": "FeatureCollection", "features": [feature]}, indent=1) + "\n"


def _readme(grid: PlaceGrid) -> str:
    return f"""plan.yaml describes what is judged and how. Grid and layers are filled in for your place:

   {grid.crs}: {grid.crs_reason}.
   Cells of {grid.cell_m} m: {grid.cell_reason}.
   Soil, elevation, climate and land cover come from open data; `underoak sources` explains each set.

1. Fetch the files:   underoak gather plan.yaml
   It says how much is to fetch, and asks first. Copies of licences and credits are beside the files.
2. Check the plan:    underoak check plan.yaml
3. Judge the land:    underoak run plan.yaml
   The report is out/report.html. It opens in any browser, without a network.

Open soil maps show averages over cells far larger than a field. No global map has carbonate, which
matters much to most truffles; nor is there an open map of protected ground or floods that underoak
may fetch. Their lines are in plan.yaml, commented out.

This is screening, not advice. A soil test costs little compared with a field: have one
made before you sign.
"""
