"""Thrust."""
