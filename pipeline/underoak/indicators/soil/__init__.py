"""Indicators of the soil: pH, texture, lime and water."""
