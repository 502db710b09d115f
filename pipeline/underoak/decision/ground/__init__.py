"""The land of a parcel beyond its suitability: what lies near it, what remedies make of it, what comes instead."""
