"""Wild ground: native ranges and their rules, zones, warnings of unusual shares."""
