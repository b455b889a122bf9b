"""Discharge."""
