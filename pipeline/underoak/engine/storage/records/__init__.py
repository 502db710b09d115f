"""Parts of `run.json` with many fields of their own."""
