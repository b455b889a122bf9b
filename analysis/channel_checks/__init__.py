"""Channel checks."""
