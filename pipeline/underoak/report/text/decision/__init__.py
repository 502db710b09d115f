"""Decisions beyond the ground, in sentences."""
