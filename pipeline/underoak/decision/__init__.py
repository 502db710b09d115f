"""Decisions beyond the ground: the deal, water in dry years, money, the order of checks."""
