"""A spot judged from figures in hand: a lab sheet, a weather station, a spade; no raster."""
