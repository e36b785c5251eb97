"""Matplotlib, before it is loaded: without remarks of its own, and with an error one can act upon where it cannot be.

It needs a folder to write its list of fonts to: the user's own, or one for temporary files.
"""

from __future__ import annotations

import logging

from kitgauge.errors import ResultsError

logging.getLogger("matplotlib").setLevel(logging.ERROR)


def check_matplotlib() -> None:
    """Load Matplotlib. Raises ResultsError where it finds no folder that it can write to."""
    try:
        import matplotlib  # noqa: F401
    except OSError as error:
        raise ResultsError(
            "pictures cannot be drawn",
            got="neither the user's folders nor one for temporary files can be written",
            needed="a folder for the list of fonts",
            fix="set TMPDIR to a folder that can be written",
        ) from error
