"""The printable target: its geometry as plain data, and its drawing as vector PDF."""
