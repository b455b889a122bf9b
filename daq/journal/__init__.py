"""Journal."""
