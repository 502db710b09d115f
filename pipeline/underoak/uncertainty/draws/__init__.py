"""Draws: random versions of the layers, keyed by source cell, and what becomes of them in the overlay."""
