"""The judging of one window: criteria, constraints, draws."""
