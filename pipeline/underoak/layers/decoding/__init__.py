"""Decoding: from stored numbers to values in one unit.

- `rules` settles unit, scale, nodata and bounds from what file and plan say.
- `encoding` applies them to a block of cells: the one place where a unit is applied.
- `time_axis` reads the months of a time axis, and how long each lasts.
- `plausibility` checks a sample of values, to find wrong units and undeclared nodata.
"""
