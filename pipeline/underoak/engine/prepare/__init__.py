"""Preparing a run: open, check, estimate."""
