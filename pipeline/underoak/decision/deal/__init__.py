"""The deal: what beside the ground must be settled, by parcel, and the answer that follows."""
