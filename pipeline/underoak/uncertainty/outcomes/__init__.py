"""Outcomes: rank acceptability, robustness over scenarios, sensitivity."""
