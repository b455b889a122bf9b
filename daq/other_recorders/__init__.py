"""Other recorders."""
