"""The screen of a watched run: whatever the terminal's size, what matters is on it, and lines in a pipe are plain."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest
from rich.console import Console
from small_kits import shots_of, small_kit

from kitgauge.live.enough import Estimate
from kitgauge.live.shot_states import FailedFrame, ShotState
from kitgauge.live.state import LiveState, Verdict
from kitgauge.report.live_screen import DrawnScreen, LineScreen, drawn, screen_on

LONG = "Noise is acceptable up to ISO 6400: SNR 10 at mid-grey in a picture of 8 MP (95 % interval 6980 to 7450)."
SHOTS = shots_of("noise-ladder", small_kit())
FAILED = FailedFrame("DSC_00012.NEF", "highlights are clipped", "expose less")


def state(**changes) -> LiveState:
    shots = tuple(
        ShotState(shot, done=2 if shot.number < 4 else 0, failed=(FAILED,) if shot.number == 2 else ())
        for shot in SHOTS
    )
    verdicts = tuple(
        Verdict(
            f"DSC_{n:05}.NEF", "failed" if n == 12 else "good", "flat ISO 400", FAILED.why if n == 12 else "level 47 %"
        )
        for n in range(1, 15)
    )
    values = {
        "title": "Noise against ISO", "folder": "/home/someone/pictures/tethered/today", "kit": "Box, Lens, 50 mm",
        "shots": shots, "verdicts": verdicts, "frames": 14, "next": "flat ISO 800: 2 frames at about 1/50, ISO 800",
        "next_number": 4, "again": ("flat ISO 200: 1 of 2: highlights are clipped",), "arriving": ("a 1 MB", "b 1 MB"),
        "busy": "fitting", "estimate": Estimate(LONG, 0.1, 1 / 3), "of_all": "All frames: developed by the camera.",
    }  # fmt: skip
    return LiveState(**{**values, **changes})


def text(of: LiveState, width: int, height: int) -> list[str]:
    return [line.plain for line in drawn(of, width, height)]


@pytest.mark.parametrize("width", [40, 60, 80, 200])
@pytest.mark.parametrize("height", [10, 15, 24, 50])
def test_it_fits_and_says_what_is_next(width, height):
    for of in (
        state(),
        state(problem=LONG * 4, away=True),
        state(estimate=None, no_estimate=LONG),
        LiveState("T", "F"),
    ):
        lines = text(of, width, height)
        assert len(lines) < height and max(map(len, lines)) <= width
    lines = text(state(), width, height)
    assert any(line.startswith("Next   flat ISO 800: 2 frames") for line in lines)
    assert any(line.startswith("So far Noise is acceptable") for line in lines)
    assert any(line.startswith("Again  flat ISO 200") for line in lines)


def test_a_short_terminal_shows_the_shot_that_is_next_and_a_tall_one_all():
    short, tall = text(state(), 60, 15), text(state(), 100, 50)
    assert any(line.startswith(">  flat ISO 800") for line in short)
    assert all(any(shot.step in line for line in tall) for shot in SHOTS)
    assert any(line.startswith("ok flat ISO 100") and "2 of 2" in line for line in tall)
    assert any("FAILED   DSC_00012.NEF" in line and "highlights are clipped" in line for line in tall)
    assert not any("after" in line for line in tall) and any("after" in line for line in short)


def test_it_is_drawn_anew_when_the_terminal_changes_its_size():
    stream = io.StringIO()
    console = Console(file=stream, force_terminal=True, width=100, height=40, color_system=None)
    with DrawnScreen(console) as screen:
        screen.show(state())
        length = len(stream.getvalue())
        screen.show(state())
        assert len(stream.getvalue()) == length
        console.size = (60, 15)
        screen.show(state())
        new = stream.getvalue()[length:]
    assert "Next   flat ISO 800" in new and len(new.splitlines()) < 18
    assert max(map(len, new.splitlines()[2:])) <= 60  # the first ones take the old picture away


@pytest.mark.parametrize(("variable", "value"), [("NO_COLOR", "1"), ("TERM", "dumb")])
def test_without_colours(monkeypatch, variable, value):
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv(variable, value)

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    stream = Terminal()
    screen = screen_on(stream)
    with screen:
        screen.show(state())
    assert isinstance(screen, LineScreen if variable == "TERM" else DrawnScreen)
    assert not any(f"\x1b[{code}" in stream.getvalue() for code in ("31", "32", "33", "36", "1;31"))


def test_in_a_pipe_each_event_is_one_plain_line():
    stream = io.StringIO()
    with LineScreen(stream) as screen:
        screen.show(state(verdicts=(), estimate=None, no_estimate="first\n  second"))
        screen.show(state(verdicts=(), estimate=None, no_estimate="first\n  second"))
        screen.show(state(verdicts=state().verdicts[11:12]))
        screen.show(state(verdicts=state().verdicts[11:12], complete=True, next="", away=True))
    lines = stream.getvalue().splitlines()
    assert "\x1b" not in stream.getvalue() and len(lines) == len(set(lines))
    assert lines[0].startswith("Noise against ISO: watching /home/someone")
    for words in (
        "So far no result: first second", "FAILED: DSC_00012.NEF (flat ISO 400): highlights are clipped",
        f"So far: {LONG}", "The list is complete.", "All frames: developed by the camera.",
        "Shoot again: flat ISO 200: 1 of 2: highlights are clipped",
    ):  # fmt: skip
        assert words in lines
    assert any(line.startswith("The folder has gone") for line in lines)


def test_the_bell_rings_once_for_a_failed_frame():
    stream = io.StringIO()
    with DrawnScreen(Console(file=stream, force_terminal=True, width=80, height=24)) as screen:
        screen.show(state(estimate=None, verdicts=()))
        assert "\a" not in stream.getvalue()
        screen.show(state(estimate=None))
        screen.show(replace(state(estimate=None), frames=15))
    assert stream.getvalue().count("\a") == 1


def test_names_cannot_steer_the_terminal():
    hostile = "x\x1b[2J\u202e\x9b2J\ry.dng"
    of = state(folder=hostile, problem=hostile, verdicts=(Verdict(hostile, "failed", "", hostile, "", 0.0),))
    pipe = io.StringIO()
    LineScreen(pipe).show(of)
    for shown in ("\n".join(text(of, 100, 40)), pipe.getvalue()):
        assert "y.dng" in shown and "\ufffd" in shown
        assert not any(sign in shown for sign in "\x1b\u202e\x9b\r")
