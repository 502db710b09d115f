"""Writing and reopening rasters."""
