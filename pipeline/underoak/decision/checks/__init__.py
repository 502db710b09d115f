"""The order of checks that ends soonest in a no, for the least money."""
