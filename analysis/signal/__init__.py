"""Signal."""
