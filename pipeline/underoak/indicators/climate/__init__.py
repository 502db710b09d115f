"""Indicators of the climate: months and years, evapotranspiration, water balance, temperature."""
