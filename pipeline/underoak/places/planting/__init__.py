"""What to do on the ground: where to take soil, which truffle on which tree, what to plant."""
