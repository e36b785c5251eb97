"""Noise: pairs of flats and darks, and what they give away about the file."""
