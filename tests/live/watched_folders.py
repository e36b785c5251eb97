"""What tests of watched runs share: the request, and what a run has shown."""

from __future__ import annotations

import io
import json
import time
from pathlib import Path

from kitgauge.live.state import LiveState
from kitgauge.report.live_screen import LineScreen
from kitgauge.runs.request import Request, checked_request


def request(protocol: str | Path, frames: Path, out: Path, **changes) -> Request:
    values = {
        "results": "results", "criteria": None, "technique": None, "settings": None, "pitch_um": None, "body": None,
        "lens": None, "focal_mm": None, "teleconverter": None, "workers": 2, "regions": (), "subject_name": None,
        "distance_m": None, "use_cache": True,
    }  # fmt: skip
    return checked_request(protocol, frames, out=out, **{**values, **changes})


class Seen:
    """Keeps the states that a run showed, and when each frame was first spoken of."""

    def __init__(self) -> None:
        self.states: list[LiveState] = []
        self.at: dict[str, float] = {}
        self.lines = io.StringIO()
        self._screen = LineScreen(self.lines)

    def __call__(self, state: LiveState) -> None:
        self.states.append(state)
        self._screen.show(state)
        for verdict in state.verdicts:
            self.at.setdefault(verdict.file, time.monotonic())

    @property
    def said(self) -> str:
        """All lines so far."""
        return self.lines.getvalue()

    def told(self, words: str, seconds: float = 20.0) -> None:
        """Wait until `words` are said."""
        end = time.monotonic() + seconds
        while words not in self.said:
            assert time.monotonic() < end, f"{words!r} was not said in: {self.said}"
            time.sleep(0.05)


def numbers(folder: Path) -> dict:
    return json.loads((folder / "curves.json").read_text())
