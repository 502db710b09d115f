"""Starter plans for a place: a grid, and layers from the catalogue."""
