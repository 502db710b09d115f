"""Figures of other people: published ranges, each with source, year and grade."""
