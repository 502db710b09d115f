"""Results as text for a terminal: the table of a run, the answers of `explain`, the lines of `check`."""
