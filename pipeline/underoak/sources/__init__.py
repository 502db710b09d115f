"""Open data sets: the catalogue, what is fetched from them, and starter plans by place."""
