"""Formats: one reader for each kind of file.

- `open` chooses the reader of a raster by the file's extension.
- `geotiff` reads GeoTIFF and mosaics, which `vrt` checks; `gdal` sets up the library, `tiff_tags` reads what it hides.
- `netcdf_zarr` reads variables and their attributes; `netcdf_zarr_files` checks and opens stores, `axes` finds grids.
- `vector` reads shapes; `safe_names` gives files names that its library takes as they stand.
- `georeference` resolves the CRS of any raster and checks its grid; `read_watch` knows which reads are under way.
"""
