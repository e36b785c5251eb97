"""Open one file: its metadata, its raw mosaic or its developed picture."""
