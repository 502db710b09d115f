"""Cells of remote GeoTIFFs: index, windows, decoding in a process of its own, checks against the catalogue."""
