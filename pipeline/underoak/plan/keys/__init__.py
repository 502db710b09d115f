"""Keys of a plan: one module for each part."""
