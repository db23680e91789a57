"""A virtual bench: readings of a known machine through known instruments."""
