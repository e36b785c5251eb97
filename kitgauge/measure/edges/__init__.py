"""Edges and targets: finding them, and what they tell of sharpness."""
