"""Rules of the user's own, such as conditions of an aid, applied to parcels."""
