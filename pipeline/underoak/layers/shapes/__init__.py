"""Shapes on the analysis grid: the region, constraints, distances."""
