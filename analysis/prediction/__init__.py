"""Prediction."""
