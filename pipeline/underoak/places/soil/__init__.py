"""Soil of parcels: soil units, where to take samples, remedies and what they take."""
