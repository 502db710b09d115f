"""Mean suitability of parcels by exactextract in raster order, from a finished suitability raster."""

from __future__ import annotations

import geopandas
import pandas  # noqa: F401
from exactextract import exact_extract

from measure import Clock, arguments, report
from model import Ground

if __name__ == "__main__":
    parser = arguments(__doc__)
    parser.add_argument("--finished", required=True, help="folder with suitability.tif")
    parser.add_argument("--parcels", type=int, default=2_000, choices=(2_000, 50_000))
    given = parser.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    clock = Clock()
    shapes = geopandas.read_file(given.inputs / f"parcels_{given.parcels}.gpkg", engine="pyogrio")
    clock.lap("read parcels")
    table = exact_extract(
        f"{given.finished}/suitability.tif", shapes, ["mean", "count"], output="pandas", strategy="raster-sequential"
    )  # fmt: skip
    clock.lap("sum")
    table.insert(
        0, "id", shapes["id"]
    )  # rows keep their order; a column asked for by this name would be the row's number
    table.to_csv(given.out / f"parcels_{given.parcels}.csv", index=False)
    report("exactextract", Ground.of(given.inputs), clock)
