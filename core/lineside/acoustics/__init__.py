"""Decibel arithmetic, frequency bands and weighting: the ground that all methods share."""
