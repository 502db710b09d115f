"""Money: what would have to be true for an orchard to cover its costs, and the claims of sellers."""
