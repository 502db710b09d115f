"""Runs of a plan: judge, check, and open again when finished."""
