"""Checks across the parts of a plan."""
