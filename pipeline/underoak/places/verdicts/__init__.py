"""Verdicts and ranks of parcels, their uncertainty, and what would change them."""
