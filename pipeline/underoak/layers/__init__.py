"""Open rasters in, layers on the analysis grid out: each file is decoded once and resampled once.

From the bottom up:

- `source`, `files`, `layer_request`: what every open raster offers, where input files may lie, one layer of the plan.
- `decoding`: from stored numbers to values in one unit: nodata, scale, unit, bounds, calendar.
- `formats`: one reader for each kind of file: GeoTIFF, VRT, NetCDF, Zarr, vector files.
- `derivation`: indicators, computed on the source grid.
- `resampling`: from source cells to analysis cells.
- `integrity`: the checksums of stored blocks, which files carry themselves.
- `shapes`: polygons on the analysis grid: the region, constraints, distances.
- `stack`: all layers of a run, read window by window.
- `class_codes`, `quantile_layers`, `uncertain_layers`: checks and draws of stacked layers.
- `catalogue`: opens every layer of a plan.
"""

from underoak.layers.files import Trust
from underoak.layers.formats.open import EXTENSIONS, open_source
from underoak.layers.layer_request import LayerRequest
from underoak.layers.source import Reading, Source, SourceFacts

__all__ = ["EXTENSIONS", "LayerRequest", "Reading", "Source", "SourceFacts", "Trust", "open_source"]
