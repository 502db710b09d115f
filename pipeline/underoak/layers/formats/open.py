"""The door to every open raster: the file's extension says which one it is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from underoak.base.errors import Problems, UnderoakError, did_you_mean
from underoak.layers.files import Trust, input_path
from underoak.layers.layer_request import LayerRequest

if TYPE_CHECKING:
    from underoak.indicators import Input
    from underoak.layers.formats.geotiff import GeoTiffSource
    from underoak.layers.formats.netcdf_zarr import NetcdfZarrSource

GEOTIFF = (".tif", ".tiff", ".vrt")
NETCDF = (".nc", ".nc4", ".cdf")
ZARR = (".zarr",)
EXTENSIONS = (*GEOTIFF, *NETCDF, *ZARR)


def open_source(
    name: str, layer: Any, base: Path, trust: Any, problems: Problems, wanted: Input | None = None
) -> GeoTiffSource | NetcdfZarrSource | None:
    """Open one layer's file; None when a fault was added to `problems`, so that other layers are looked at as well.

    `layer` has the plan's field names (file, variable, band, unit, to, scale, nodata, crs, kind, valid, quantity ...);
    `base` is the plan's folder, from which paths count; `trust` the plan's `trust:` (roots, max_cells) or None.
    `wanted` is what the indicators of other layers want of this one, where nothing is made of it by itself.
    """
    asked = LayerRequest.from_spec(name, layer, wanted)
    extension = Path(asked.file).suffix.lower()
    if extension not in EXTENSIONS:
        listed = ", ".join(EXTENSIONS)
        fix = did_you_mean(extension, EXTENSIONS, f"give a file that ends in one of {listed}")
        problems.add("E247", f'files that end in "{extension}" are not read', asked.where, fix)
        return None
    trusted = trust if isinstance(trust, Trust) else Trust.from_plan(base, trust)
    try:
        path = input_path(asked.file, base, asked.where, folder=extension in ZARR)
    except UnderoakError as error:
        problems.add_error(error)
        return None
    # a link may lead to a file of another ending: what is opened is what the plan's name promised
    if extension in GEOTIFF:
        from underoak.layers.formats.geotiff import open_geotiff

        return open_geotiff(path, asked, trusted, problems, is_vrt=extension == ".vrt")
    from underoak.layers.formats.netcdf_zarr import open_netcdf_zarr

    return open_netcdf_zarr(path, asked, trusted, problems)
