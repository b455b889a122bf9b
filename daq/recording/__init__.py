"""Recording."""
