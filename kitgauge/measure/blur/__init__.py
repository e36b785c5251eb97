"""Blur by motion: edges followed from frame to frame, and their streaks."""
