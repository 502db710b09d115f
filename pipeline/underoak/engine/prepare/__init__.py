"""The preparation of a run: inputs opened and checked, an estimate made."""
