"""The run as an item of a SpatioTemporal Asset Catalog (STAC 1.1)."""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from underoak.base import crs as _crs
from underoak.base.codes import CLASS_LABELS, STATE_LABELS
from underoak.base.grid import Grid
from underoak.base.json_text import json_text
from underoak.base.palette import CLASS_RGB
from underoak.engine.write.checksums import FileRecord
from underoak.engine.write.finished_rasters import CLASS_TIF, LIMITING_TIF, BandFacts, open_finished
from underoak.report.page.footprint import footprint

_COG = "image/tiff; application=geotiff; profile=cloud-optimized"
_BY_NAME = {  # file name: roles, title
    "suitability.tif": (["data"], "Suitability, 0 to 1"),
    "class.tif": (["data"], "Suitability class"),
    "limiting.tif": (["data"], "Limiting factor, and the criterion with most to gain"),
    "memberships.tif": (["data"], "Membership of each criterion, 0 to 1"),
    "missing_weight.tif": (["data"], "Share of the weight without a layer"),
    "spread.tif": (["data"], "Suitability over all draws"),
    "quantiles.tif": (["data"], "Quantiles of suitability over all draws"),
    "share_of_futures.tif": (["data"], "Share of scenarios in which land reaches a class"),
    "parcels.gpkg": (["data"], "Parcels"),
    "parcels.csv": (["data"], "Parcels, as a table"),
    "zones.gpkg": (["data"], "Zones"),
    "legend.sld": (["metadata"], "Colours of the rasters"),
    "report.html": (["overview"], "Report"),
    "map.png": (["thumbnail", "overview"], "Map of suitability"),
    "run.json": (["metadata"], "Plan, inputs and outputs with their checksums"),
}
_MEDIA = {
    ".tif": _COG, ".gpkg": "application/geopackage+sqlite3", ".csv": "text/csv", ".html": "text/html",
    ".png": "image/png", ".sld": "application/vnd.ogc.sld+xml", ".xml": "application/xml", ".npz": "application/zip",
    ".json": "application/json",
}  # fmt: skip
_EXTENSIONS = {  # prefix of the fields: the extension that has them
    "proj": "https://stac-extensions.github.io/projection/v2.0.0/schema.json",
    "file": "https://stac-extensions.github.io/file/v2.1.0/schema.json",
    "raster": "https://stac-extensions.github.io/raster/v2.0.0/schema.json",
    "classification": "https://stac-extensions.github.io/classification/v2.0.0/schema.json",
}
_DATED = ("report.html",)  # it holds the time of the run; `run.json` has its checksum
_YEARS = re.compile(r"\s*(\d{4})(?:\s*(?:-|–|/|to)\s*(\d{4}))?\s*")


@dataclass(frozen=True)
class ItemFacts:
    """What an item says of its run."""

    title: str
    id: str
    grid: Grid
    outline: Any  # of the region, a polygon or several; None: all of the grid
    started: datetime.datetime
    period: str = ""  # the years of a scenario


def stac_item(facts: ItemFacts, folder: Path, outputs: Sequence[FileRecord]) -> str:
    """Return the STAC item of a run folder as JSON text.

    Each asset but the report has its size and checksum, and each raster its bands.
    """
    import pystac

    geometry, bbox = footprint(facts.grid, facts.outline)
    start, end = years(facts.period)
    item = pystac.Item(
        id=facts.id,
        geometry=geometry,
        bbox=bbox,
        datetime=None if start else facts.started,
        start_datetime=start,
        end_datetime=end,
        properties={"title": facts.title, **_projection(facts.grid)},
    )
    for file in outputs:
        path = PurePosixPath(file.path)
        roles, title = _BY_NAME.get(path.name, (["metadata" if path.suffix == ".xml" else "data"], None))
        extra: dict[str, Any] = {}
        if path.name not in _DATED:
            extra = {"file:size": file.size, "file:checksum": "1220" + file.sha256}
        if path.suffix == ".tif":
            extra["bands"] = _bands(folder, path)
        media = _MEDIA.get(path.suffix, "application/octet-stream")
        asset = pystac.Asset(f"./{path}", title=title, media_type=media, roles=list(roles), extra_fields=extra)
        item.add_asset(file.path.replace(".", "_"), asset)
    record = item.to_dict(include_self_link=False)
    record["links"] = _links(outputs)
    record["stac_extensions"] = _extensions(record)
    return json_text(record) + "\n"


def years(period: str) -> tuple[datetime.datetime | None, datetime.datetime | None]:
    """Return the first and the last second of a period in years; None for other words.

    >>> [str(end) for end in years("2041-2070")]
    ['2041-01-01 00:00:00+00:00', '2070-12-31 23:59:59+00:00']
    >>> years("end of the century")
    (None, None)
    """
    match = _YEARS.fullmatch(period)
    if match is None:
        return None, None
    first, last = int(match[1]), int(match[2] or match[1])
    if not 1 <= first <= last:
        return None, None
    utc = datetime.UTC
    return datetime.datetime(first, 1, 1, tzinfo=utc), datetime.datetime(last, 12, 31, 23, 59, 59, tzinfo=utc)


def _extensions(record: Mapping[str, Any]) -> list[str]:
    """Return the extensions whose fields an item has; one that is declared and not used makes it invalid."""
    assets = record["assets"].values()
    places = [record["properties"], *assets, *(band for asset in assets for band in asset.get("bands", ()))]
    prefixes = {name.partition(":")[0] for place in places for name in place}
    return [address for prefix, address in _EXTENSIONS.items() if prefix in prefixes]


def _projection(grid: Grid) -> dict[str, Any]:
    parsed = _crs.parse(grid.crs)
    authority = parsed.to_authority()
    code = f"{authority[0]}:{authority[1]}" if authority else None
    fields = {"proj:code": code, "proj:shape": [grid.rows, grid.cols], "proj:transform": list(grid.transform)}
    return fields if code else fields | {"proj:wkt2": parsed.to_wkt()}


def _links(outputs: Sequence[FileRecord]) -> list[dict[str, str]]:
    """Return links to the manifest and to the items of the folders inside, relative to the item."""
    links = [{"rel": "via", "href": "./run.json", "type": "application/json", "title": "Plan, inputs and software"}]
    folders = sorted({str(path.parent) for file in outputs if (path := PurePosixPath(file.path)).name == CLASS_TIF})
    inside = [folder for folder in folders if folder != "."]
    return links + [
        {"rel": "related", "href": f"./{folder}/item.json", "type": "application/geo+json", "title": folder}
        for folder in inside
    ]


def _bands(folder: Path, path: PurePosixPath) -> list[dict[str, Any]]:
    with open_finished(folder, str(path)) as raster:
        names = raster.code_names if path.name in (CLASS_TIF, LIMITING_TIF) else {}
        return [_band(facts, names) for facts in raster.band_facts]


def _band(facts: BandFacts, names: Mapping[int, str]) -> dict[str, Any]:
    nodata: float | str = "nan" if facts.nodata != facts.nodata else facts.nodata
    band: dict[str, Any] = {"name": facts.name, "data_type": facts.dtype, "nodata": nodata, "unit": facts.unit or "1"}
    if (facts.scale, facts.offset) != (1.0, 0.0):
        band |= {"raster:scale": facts.scale, "raster:offset": facts.offset}
    if facts.statistics:
        band["statistics"] = dict(facts.statistics)
    if names:
        band["classification:classes"] = [_class(code, name, facts.nodata) for code, name in sorted(names.items())]
    return band


def _class(code: int, name: str, nodata: float) -> dict[str, Any]:
    """Return a class; its `name` is for programs, and has letters, digits, "-" and "_" only."""
    entry: dict[str, Any] = {"value": code, "name": re.sub(r"[^0-9A-Za-z_-]+", "_", name).strip("_") or str(code)}
    entry |= {"title": name, "description": name}
    if name == CLASS_LABELS.get(code) or name == STATE_LABELS.get(code):
        entry |= {"color_hint": bytes(CLASS_RGB[code]).hex().upper()} if code in CLASS_RGB else {}
    return entry | ({"nodata": True} if code == nodata else {})
