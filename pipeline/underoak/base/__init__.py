"""Values that everything rests on: errors, units, coordinate systems, grids, codes, and the door to compilation."""
