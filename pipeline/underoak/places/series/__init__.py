"""Series of single years at the parcels: from tables of stations, and from gridded months."""
