"""Noise and detail of developed pictures."""
