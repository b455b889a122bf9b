"""Firing."""
