"""What adds up over the cells of a parcel in the one pass, and the table made of it."""
