"""Watching a folder while the frames arrive."""
