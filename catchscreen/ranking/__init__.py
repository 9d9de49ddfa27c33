"""Which candidates and parcels come first, by grades, indices and a weighted geometric mean."""
