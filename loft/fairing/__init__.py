"""The faired mould-line surface, its sections and its evidence."""
