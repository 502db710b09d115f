"""Derivation: what is computed on the source grid, before resampling.

- `source_layer` reads a source's cells, selects months, derives an indicator and converts its unit.
- `whole_file` does so for indicators that need every cell of a file at once.
"""
