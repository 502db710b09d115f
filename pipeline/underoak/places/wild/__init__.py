"""Wild ground: native ranges, what they leave, zones, and what a region should have."""
