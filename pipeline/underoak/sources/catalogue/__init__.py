"""The catalogue of open data sets: declarations only, each field with how it is known."""
