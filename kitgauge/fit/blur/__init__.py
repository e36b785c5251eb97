"""Blur against shutter time."""
