"""How sure are we: quantiles, draws, rank acceptability, the worth of a test. Arrays in, arrays out."""
