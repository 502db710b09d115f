"""Planting: pairs of truffle and host, mixes of trees, rows and plants."""
