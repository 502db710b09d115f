"""Parcels: sums and draws over their cells, samples of cells, and their table."""
