"""What is known: typed records, the catalogue of a set, its photo store and its manifests."""
