"""Config."""
