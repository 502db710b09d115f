"""Single years and water: what rain lacked year by year, and how much land the water held carries."""
