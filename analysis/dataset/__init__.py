"""Dataset."""
