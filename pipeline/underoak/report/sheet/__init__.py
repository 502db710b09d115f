"""Sheets to take to the field and to the laboratory."""
