"""Diagnosis."""
