"""The run as a SpatioTemporal Asset Catalog item."""

from __future__ import annotations

import datetime
import json
from collections.abc import Sequence

from underoak.base import crs as _crs
from underoak.base.grid import Grid
from underoak.engine.write.checksums import FileRecord

_ROLES = {
    "suitability.tif": ("data", "image/tiff; application=geotiff; profile=cloud-optimized"),
    "class.tif": ("data", "image/tiff; application=geotiff; profile=cloud-optimized"),
    "limiting.tif": ("data", "image/tiff; application=geotiff; profile=cloud-optimized"),
    "memberships.tif": ("data", "image/tiff; application=geotiff; profile=cloud-optimized"),
    "missing_weight.tif": ("data", "image/tiff; application=geotiff; profile=cloud-optimized"),
    "parcels.gpkg": ("data", "application/geopackage+sqlite3"),
    "parcels.csv": ("data", "text/csv"),
    "zones.gpkg": ("data", "application/geopackage+sqlite3"),
    "legend.sld": ("metadata", "application/vnd.ogc.sld+xml"),
    "report.html": ("overview", "text/html"),
    "map.png": ("overview", "image/png"),
    "run.json": ("metadata", "application/json"),
}


def stac_item(title: str, identity: str, grid: Grid, outputs: Sequence[FileRecord], started: datetime.datetime) -> str:
    """Return the STAC item of a run folder as JSON text; every asset has its size and checksum."""
    import pystac
    import shapely

    to_degrees = _crs.transformer(grid.crs, "OGC:CRS84")
    left, bottom, right, top = to_degrees.transform_bounds(*grid.bounds, densify_pts=21)
    outline = shapely.box(left, bottom, right, top)
    item = pystac.Item(
        id=identity,
        geometry=shapely.geometry.mapping(outline),
        bbox=[left, bottom, right, top],
        datetime=started,
        properties={
            "title": title,
            "proj:code": _code(grid.crs),
            "proj:shape": [grid.rows, grid.cols],
            "proj:transform": list(grid.transform),
        },
        stac_extensions=[
            "https://stac-extensions.github.io/projection/v2.0.0/schema.json",
            "https://stac-extensions.github.io/file/v2.1.0/schema.json",
        ],
    )
    for file in outputs:
        role, kind = _ROLES.get(file.path, ("data", None))
        extra = {"file:size": file.size, "file:checksum": "1220" + file.sha256}
        asset = pystac.Asset(f"./{file.path}", media_type=kind, roles=[role], extra_fields=extra)
        item.add_asset(file.path.replace(".", "_"), asset)
    return json.dumps(item.to_dict(include_self_link=False), indent=2, ensure_ascii=False) + "\n"


def _code(text: str) -> str | None:
    authority = _crs.parse(text).to_authority()
    return f"{authority[0]}:{authority[1]}" if authority else None
