"""What a watched run shows while it goes on: plain data, filled by the run and drawn by a screen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from kitgauge.live.enough import Estimate
from kitgauge.live.shot_states import ShotState

Outcome = Literal["good", "doubtful", "failed", "waiting", "left out"]


@dataclass(frozen=True)
class Verdict:
    """What is said of one frame. `seconds` is the time since its file was last seen to change."""

    file: str
    outcome: Outcome
    step: str
    words: str
    advice: str = ""
    seconds: float = 0.0


@dataclass(frozen=True)
class LiveState:
    """One moment of a watched run."""

    title: str
    folder: str
    kit: str = ""
    shots: tuple[ShotState, ...] = ()
    verdicts: tuple[Verdict, ...] = ()  # in the order in which they were given
    frames: int = 0  # that are there and were read
    next: str = ""  # what to shoot next, in words
    again: tuple[str, ...] = ()  # what is to be shot again, in words
    next_number: int | None = None  # of the shot on the list
    arriving: tuple[str, ...] = ()  # files on their way, in words
    busy: str = ""  # what is being done
    estimate: Estimate | None = None
    no_estimate: str = ""  # why there is none yet
    of_all: str = ""  # what holds for all frames, and what to do about it
    adaptive: str = ""  # what would narrow the interval most
    complete: bool = False  # all that the list asks for is done
    away: bool = False  # the folder has gone
    problem: str = ""  # why nothing can be measured
