"""Formats: one reader for each kind of file."""
