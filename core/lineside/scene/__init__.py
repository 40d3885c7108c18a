"""The project turned into geometry and numbers, once."""
