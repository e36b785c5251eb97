"""Sharpness against f-number and focus, and what the lens does wrong."""
