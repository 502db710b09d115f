"""The reader of a raster, chosen by the file's extension."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from underoak.base.errors import Fault, Problems, UnderoakError, did_you_mean
from underoak.layers.files import Trust, input_path, other_kind
from underoak.layers.layer_request import LayerRequest

if TYPE_CHECKING:
    from underoak.indicators import Input
    from underoak.layers.formats.geotiff import GeoTiffSource
    from underoak.layers.formats.netcdf_zarr import NetcdfZarrSource
    from underoak.plan.keys.region import TrustSpec

GEOTIFF = (".tif", ".tiff", ".vrt")
NETCDF = (".nc", ".nc4", ".cdf")
ZARR = (".zarr",)
EXTENSIONS = (*GEOTIFF, *NETCDF, *ZARR)


def open_source(
    name: str,
    layer: object,
    base: Path,
    trust: Trust | TrustSpec | None,
    problems: Problems,
    wanted_input: Input | None = None,
) -> GeoTiffSource | NetcdfZarrSource | None:
    """Open one layer's file; None when a fault was added to `problems`, so that other layers are opened as well.

    Args:
        name: the layer's name in the plan.
        layer: an object with the plan's field names (file, variable, band, unit, to, scale, nodata, crs, kind ...).
        base: the plan's folder, to which paths are relative.
        trust: the plan's `trust:` (roots, max_cells), a `Trust`, or None.
        problems: where faults and warnings go.
        wanted_input: the input that the layer is to the indicators of others, if it has neither `reduce` nor `derive`.
    """
    request = LayerRequest.from_spec(name, layer, wanted_input)
    extension = Path(request.file).suffix.lower()
    if extension not in EXTENSIONS:
        endings = ", ".join(EXTENSIONS)
        fix = did_you_mean(extension, EXTENSIONS, f"give a file that ends in one of {endings}")
        problems.add("E247", f'files that end in "{extension}" are not read', request.where, fix)
        return None
    limits = trust if isinstance(trust, Trust) else Trust.from_plan(base, trust)
    try:
        path = input_path(request.file, base, request.where, folder=extension in ZARR)
    except UnderoakError as error:
        if getattr(layer, "gather", None) is not None and error.faults[0].code == "E246":
            error = UnderoakError(
                Fault("E248", "is not gathered yet", request.where, "run `underoak gather` on the plan")
            )
        problems.add_error(error)
        return None
    other = other_kind(path, request.where)
    if other is not None:
        problems.extend([other])
        return None
    # a link may lead to a file of another ending: the ending in the plan decides
    if extension in GEOTIFF:
        from underoak.layers.formats.geotiff import open_geotiff

        return open_geotiff(path, request, limits, problems, is_vrt=extension == ".vrt")
    from underoak.layers.formats.netcdf_zarr import open_netcdf_zarr

    return open_netcdf_zarr(path, request, limits, problems)
