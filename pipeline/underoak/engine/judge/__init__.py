"""Judging: what is computed for one window."""
