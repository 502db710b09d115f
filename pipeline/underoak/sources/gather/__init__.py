"""Files of a plan made from open data: what is needed, its size, the files, and where they come from."""
