"""Soil of parcels: results of a laboratory, what they change, remedies and what they take."""
