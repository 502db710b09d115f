"""Polygons: parcels as their file gives them, true areas, outlines of cells, and files of them."""
