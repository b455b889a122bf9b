"""Cold flow."""
