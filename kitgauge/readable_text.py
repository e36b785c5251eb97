"""Texts as people may read them: without the signs that move a cursor, hide a text or turn its direction.

Names of files, cameras and lenses come from anywhere, and a terminal obeys what stands in them.
"""

from __future__ import annotations

import re

# control signs, a line's end and a tab excepted; signs that turn the direction of what follows: a number behind one of
# them would be read backwards (Unicode Standard Annex 9); signs that no text may hold
_NO_SIGNS = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069\ufffe\uffff]")


def readable(text: str) -> str:
    """Return a text with U+FFFD in the place of each sign that is not for reading."""
    return _NO_SIGNS.sub("\N{REPLACEMENT CHARACTER}", text)


def tell(text: object, *, err: bool = False) -> None:
    """Print a line, or lines, to read, with `err` where errors go."""
    import typer

    typer.echo(readable(str(text)), err=err)
