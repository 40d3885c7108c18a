"""Figures of the report, drawn from parts of the results document; nothing is computed here."""
