"""Decoding: from stored numbers to values with a unit."""
