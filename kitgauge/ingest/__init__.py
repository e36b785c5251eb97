"""From a folder to frames that are matched to steps, and the cache of what was measured on them."""
