"""Sealing."""
