"""Where a bound comes from. Pure standard library."""

from __future__ import annotations

from typing import Literal, NamedTuple

Basis = Literal["measured run", "scaled", "common practice", "given"]
MEASURED: Basis = "measured run"
SCALED: Basis = "scaled"
PRACTICE: Basis = "common practice"
GIVEN: Basis = "given"


class Because(NamedTuple):
    """Where a bound comes from: its basis, one sentence, and the run if there is one.

    `note` says which of several limits it is, empty where there is one.
    """

    basis: Basis
    text: str
    run: str | None = None
    note: str = ""

    @property
    def full_text(self) -> str:
        """The sentence with the note."""
        return f"{self.text}; {self.note}" if self.note else self.text
