"""Content."""
