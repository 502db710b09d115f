"""Draws: random versions of the layers by source cell, and their overlay."""
