"""The page, its map and legend, and the entry for a catalogue."""
