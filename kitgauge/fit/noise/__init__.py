"""Noise against ISO, and what the levels tell."""
