"""Storage: the run folder, and the finished tiles of a run that may be stopped."""
