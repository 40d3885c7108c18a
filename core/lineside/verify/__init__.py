"""Checking a report from its PDF alone: what is attached, what follows from it, what is printed."""
