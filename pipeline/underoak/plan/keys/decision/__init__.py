"""Keys of a plan that change no suitability: the deal, checks, costs, water held, single years, neighbours."""
