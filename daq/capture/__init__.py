"""Capture."""
