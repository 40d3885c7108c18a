"""Letters to neighbours: the results for one address, in plain words."""
