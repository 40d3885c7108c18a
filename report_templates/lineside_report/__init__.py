"""Templates, style and fonts of what lineside writes; nothing here computes."""
