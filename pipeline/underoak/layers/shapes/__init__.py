"""Shapes on the analysis grid.

- `region` makes the analysis grid of a plan.
- `coverage` burns polygons into cells: centres, touched cells, exact shares. Constraints, parcels and zones use it.
- `distance` gives the distance to the nearest shape as a source; `distance_kernels` is its compiled loop.
"""
