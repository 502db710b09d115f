"""The land of a parcel beyond its suitability: what lies near it."""
