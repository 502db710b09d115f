"""Results of a soil laboratory: read from their file, and what they change on the parcels they come from."""
