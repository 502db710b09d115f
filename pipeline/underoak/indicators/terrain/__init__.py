"""Indicators of the terrain: slope, aspect, relief, solar radiation, wetness."""
