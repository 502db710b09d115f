"""The header of a file against the catalogue: a file that says anything else is not read."""

from __future__ import annotations

import math
from typing import Any

from underoak.base.errors import Fault, UnderoakError
from underoak.sources.catalogue.addresses import Map
from underoak.sources.catalogue.fact import Fact
from underoak.sources.catalogue.tile_rules import Tile
from underoak.sources.cells.tiff_index import SAMPLES, TiffIndex

_CELL_TOLERANCE = 1e-6  # share of a cell's side
_KNOWN_COMPRESSIONS = ("none", "deflate", "lzw", "zstd", "lerc")


def header_facts(index: TiffIndex, band: int) -> dict[str, Any]:
    """Return what a header says, in the catalogue's words, for the record."""
    rows, cols = index.shape
    left, top, width, height = index.frame
    return {
        "rows": rows,
        "cols": cols,
        "dtype": index.dtype,
        "nodata": _plain(index.nodata),
        "scale": _plain(index.stated("scale", band)),
        "offset": _plain(index.stated("offset", band)),
        "layout": "tiled" if index.is_tiled else "striped",
        "compression": index.compression,
        "registration": "point" if index.is_point else "area",
        "epsg": index.epsg,
        "left": left,
        "top": top,
        "cell": [width, height],
    }


def expected_facts(chosen: Map, tile: Tile) -> dict[str, Any]:
    """Return what the catalogue expects of a header, with how it is known."""
    each, header = chosen.data_set, chosen.data_set.header_of(chosen.band)
    facts: dict[str, Fact[Any] | None] = {
        "dtype": header.dtype,
        "nodata": header.nodata,
        "scale": header.scale,
        "offset": header.offset,
        "layout": each.layout,
        "compression": each.compression,
        "registration": each.registration,
        "crs": each.crs,
    }
    expected = {name: {"value": fact.value, "known": fact.known} for name, fact in facts.items() if fact is not None}
    return expected | {
        "cell": {"value": list(expected_cell(chosen, tile)), "known": each.cell.known if each.cell else ""}
    }


def expected_cell(chosen: Map, tile: Tile) -> tuple[float, float]:
    """Return width and height of a cell of a tile; columns of some sets lie further apart towards the poles."""
    assert chosen.data_set.cell is not None, "an open set has cells"
    width, height = chosen.data_set.cell.value
    columns = chosen.data_set.columns
    if columns is not None:
        latitude = abs((tile.bounds[1] + tile.bounds[3]) / 2.0)
        factors = [factor for start, factor in sorted(columns.value.items()) if latitude > start]
        width *= factors[-1] if factors else 1.0
    return width, height


def check_header(index: TiffIndex, chosen: Map, tile: Tile) -> None:
    """Check all that a header says against the catalogue.

    Raises:
        UnderoakError: E714 with a fault for every difference, each with both sides.
    """
    each, header, band = chosen.data_set, chosen.data_set.header_of(chosen.band), chosen.band.number
    faults: list[Fault] = []

    def compare(name: str, fact: Fact[Any], says: object, is_equal: bool) -> None:
        if not is_equal:
            what = f"its header says {name} {says}, and the catalogue {fact.value} ({fact.known})"
            faults.append(Fault("E714", what, index.name, _fix(chosen)))

    compare("type", header.dtype, index.dtype, index.dtype == header.dtype.value)
    compare("nodata", header.nodata, _plain(index.nodata), _is_same(header.nodata.value, index.nodata))
    for name, fact, default in (("scale", header.scale, 1.0), ("offset", header.offset, 0.0)):
        stated = index.stated(name, band)
        is_default = fact.value == default and stated is None and not fact.is_unsure
        is_none = fact.value == "none" and stated == default
        compare(name, fact, _plain(stated), is_default or is_none or _is_same(fact.value, stated))
    assert each.layout is not None
    assert each.compression is not None
    assert each.registration is not None
    assert each.crs is not None
    assert each.cell is not None
    layout = "tiled" if index.is_tiled else "striped"
    compare("layout", each.layout, layout, layout == each.layout.value)
    # the two below change no value: where the catalogue is not sure, the header decides
    is_settled = each.compression.is_unsure and index.compression in _KNOWN_COMPRESSIONS
    compare(
        "compression", each.compression, index.compression, is_settled or index.compression == each.compression.value
    )
    registration = "point" if index.is_point else "area"
    is_registered = each.registration.is_unsure or registration == each.registration.value
    compare("registration", each.registration, registration, is_registered)
    code = None if index.epsg is None else f"EPSG:{index.epsg}"
    compare(
        "coordinate system", each.crs, code or "of its own", code == (each.crs.value if each.is_crs_in_file else None)
    )
    left, top, *cell = index.frame
    expected = expected_cell(chosen, tile)
    is_cell = all(math.isclose(a, b, rel_tol=_CELL_TOLERANCE) for a, b in zip(cell, expected, strict=True))
    compare("a cell of", each.cell, f"{cell[0]:.9g} x {cell[1]:.9g}", is_cell)
    if is_cell and tile.name:
        rows, cols = index.shape
        slack_x, slack_y = (side * each.slack for side in cell)
        inside = (
            left >= tile.bounds[0] - slack_x
            and top <= tile.bounds[3] + slack_y
            and left + cols * cell[0] <= tile.bounds[2] + slack_x
            and top - rows * cell[1] >= tile.bounds[1] - slack_y
        )
        if not inside:
            what = f"its tie-point puts it at {left:.9g}, {top:.9g}, outside the ground of the tile {tile.name}"
            faults.append(Fault("E714", what, index.name, _fix(chosen)))
    if index.whole_number(SAMPLES, 1) < band:
        what = f"it has {index.whole_number(SAMPLES, 1)} bands, and the catalogue reads band {band}"
        faults.append(Fault("E714", what, index.name, _fix(chosen)))
    if faults:
        raise UnderoakError(*faults)


def _fix(chosen: Map) -> str:
    return f"find out which is right, and correct {chosen.set_name}.yaml in a folder of yours (`--sources FOLDER`)"


def _is_same(expected: float | str, stated: float | None) -> bool:
    if stated is None or expected == "none":
        return stated is None and expected == "none"
    return math.isclose(float(expected), stated, rel_tol=1e-9, abs_tol=1e-12)


def _plain(value: float | None) -> float | str:
    """Return a number as JSON can hold it, and `none` for nothing."""
    return "none" if value is None else value if math.isfinite(value) else str(value)
