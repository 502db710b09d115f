"""Lists and published figures that decisions rest on, from `configs/decision`, each with source and grade."""
