"""Findings in plain words, for terminals, tables and pages alike."""
