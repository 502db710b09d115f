"""Resampling: from the source grid to the analysis grid.

- `mesh` gives the position of each analysis cell on the source grid; `meshes` holds one for each source grid of a run.
- `resample` makes analysis cells of source cells; `source_weights` names the source cells and their weights instead.
- `*_kernels` are their compiled loops; `position_kernels` is shared by all of them.
"""
