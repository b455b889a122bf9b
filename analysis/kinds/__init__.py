"""Kinds."""
