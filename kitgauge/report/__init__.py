"""The report of a run: figures, the HTML page, and tables for the terminal."""
