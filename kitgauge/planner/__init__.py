"""From limits and light to settings."""
