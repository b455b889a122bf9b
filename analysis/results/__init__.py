"""Results."""
