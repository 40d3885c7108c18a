"""Results: everything that any output prints, with where it comes from."""
