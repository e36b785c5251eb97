"""A watched run on the screen: a picture that is drawn anew on a terminal, one line per event in a pipe."""

from __future__ import annotations

import math
import sys
from types import TracebackType
from typing import Protocol, Self, TextIO

from rich import box
from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from kitgauge.live.enough import Estimate
from kitgauge.live.shot_states import ShotState
from kitgauge.live.state import LiveState, Outcome, Verdict

_SHOWN_VERDICTS = 6
_LEAST_SHOTS = 4
_OTHER_LINES = 16  # of the terminal, that are not the shot list
_WORDS: dict[Outcome, str] = {
    "good": "good",
    "doubtful": "doubtful",
    "failed": "FAILED",
    "waiting": "waits",
    "left out": "left out",
}
_STYLES: dict[Outcome, str] = {
    "good": "green",
    "doubtful": "yellow",
    "failed": "bold red",
    "waiting": "cyan",
    "left out": "dim",
}
ENDS = "Ctrl-C ends with the results so far."


class Screen(Protocol):
    """Where a watched run shows itself."""

    def __enter__(self) -> Self:
        """Begin to show."""

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None, /
    ) -> None:
        """Leave what was shown last."""

    def show(self, state: LiveState) -> None:
        """Show a new state."""


def screen_on(stream: TextIO) -> Screen:
    """Return a screen for a stream: drawn where it is a terminal, lines elsewhere."""
    return DrawnScreen(Console(file=stream)) if stream.isatty() else LineScreen(stream)


class DrawnScreen:
    """A terminal's lower part, drawn anew at each change; the last state stays. The bell rings for a failed frame."""

    def __init__(self, console: Console) -> None:
        """Draw on `console`."""
        self._console = console
        self._live = Live(console=console, auto_refresh=False, vertical_overflow="crop")
        self._drawn: LiveState | None = None
        self._rung = 0
        self._enough = False

    def __enter__(self) -> Self:
        """Begin to draw."""
        self._live.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None, /
    ) -> None:
        """Leave the last state on the terminal."""
        self._live.__exit__(kind, error, trace)

    def show(self, state: LiveState) -> None:
        """Draw a state, if it differs from the last one."""
        if state == self._drawn:
            return
        self._drawn = state
        self._live.update(drawn(state, self._console.height), refresh=True)
        failed = sum(verdict.outcome == "failed" for verdict in state.verdicts)
        enough = state.estimate is not None and state.estimate.enough
        if failed > self._rung or (enough and not self._enough):
            self._console.bell()
        self._rung, self._enough = failed, enough


class LineScreen:
    """One line per event."""

    def __init__(self, stream: TextIO) -> None:
        """Write to `stream`."""
        self._stream = stream
        self._last = LiveState("", "")
        self._begun = False

    def __enter__(self) -> Self:
        """Begin to write."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None, /
    ) -> None:
        """Nothing is left open."""

    def show(self, state: LiveState) -> None:
        """Write what is new."""
        last, self._last = self._last, state
        if not self._begun:
            self._begun = True
            asked = sum(shot.shot.frames for shot in state.shots)
            self._say(f"{state.title}: watching {state.folder}, {asked} frames asked for. {ENDS}")
        for verdict in state.verdicts[len(last.verdicts) :]:
            self._say(verdict_line(verdict))
        if state.away != last.away:
            self._say(_AWAY if state.away else "The folder is back.")
        if state.problem != last.problem and state.problem:
            self._say(f"Problem: {state.problem}")
        for again in state.again:
            if again not in last.again:
                self._say(f"Shoot again: {again}")
        for broken in state.arriving:
            if "does not open yet" in broken and broken not in last.arriving:
                self._say(f"Arriving: {broken}")
        if state.next != last.next:
            self._say(f"Next: {state.next}" if state.next else "The list is complete.")
        if state.estimate is not None and state.estimate != last.estimate:
            self._say(f"So far: {state.estimate.text}")
            self._say(width_sentence(state.estimate))
        if state.no_estimate and state.no_estimate != last.no_estimate:
            self._say(f"So far: no limit: {state.no_estimate}")
        if state.adaptive and state.adaptive != last.adaptive and _asks_for_more(state):
            self._say(f"Adaptive: {state.adaptive}.")

    def _say(self, line: str) -> None:
        self._stream.write(" ".join(line.split()) + "\n")
        self._stream.flush()


_AWAY = "The folder has gone. What was measured is kept; it goes on when the folder is back."


def verdict_line(verdict: Verdict) -> str:
    """Return what is said of one frame as one line."""
    said = "; ".join(part for part in (verdict.words, verdict.advice) if part)
    step = f" ({verdict.step})" if verdict.step else ""
    return f"{_WORDS[verdict.outcome]}: {verdict.file}{step}{': ' + said if said else ''}"


def width_sentence(estimate: Estimate) -> str:
    """Return how wide the interval is and whether that is enough."""
    wanted = f"{estimate.wanted_stops:.2f} stops is narrow enough"
    if not math.isfinite(estimate.width_stops):
        return f"The width of its interval is not known yet ({wanted})."
    wide = f"95 % interval {estimate.width_stops:.2f} stops wide"
    if estimate.enough:
        return f"Enough: {wide} ({wanted})."
    because = "" if estimate.width_stops > estimate.wanted_stops else ", but something stands against the limit itself"
    return f"Not yet enough: {wide} ({wanted}){because}."


def _asks_for_more(state: LiveState) -> bool:
    return state.estimate is None or not state.estimate.enough


def drawn(state: LiveState, height: int) -> RenderableType:
    """Return a state as rich draws it, in at most so many lines."""
    head = Text.assemble((state.title, "bold"), f"  {state.kit}" if state.kit else "")
    parts: list[RenderableType] = [head, Text(f"watching {state.folder}; {_count(state.frames)}", style="dim")]
    if state.away:
        parts.append(Text(_AWAY, style="bold red"))
    if state.problem:
        parts.append(Text(state.problem, style="bold red"))
    parts.append(_shot_table(state, max(_LEAST_SHOTS, height - _OTHER_LINES)))
    if state.next:
        parts.append(Text.assemble(("Next   ", "bold"), state.next))
    elif state.complete:
        parts.append(Text("The list is complete.", style="bold green"))
    parts += [Text.assemble(("Again  ", "bold red"), again) for again in state.again[:3]]
    if state.estimate is not None:
        style = "bold green" if state.estimate.enough else ""
        parts.append(Text.assemble(("So far ", "bold"), state.estimate.text))
        parts.append(Text(f"       {width_sentence(state.estimate)}", style=style))
    elif state.no_estimate:
        parts.append(Text.assemble(("So far ", "bold"), f"no limit: {state.no_estimate}"))
    if state.adaptive and _asks_for_more(state):
        parts.append(Text.assemble(("More   ", "bold"), state.adaptive))
    latest = {verdict.file: verdict for verdict in state.verdicts}  # the last said of each, in the order of the first
    for verdict in list(latest.values())[-_SHOWN_VERDICTS:]:
        name, _, rest = verdict_line(verdict).partition(": ")
        one_line = verdict.outcome not in ("failed", "doubtful")
        style = _STYLES[verdict.outcome]
        parts.append(Text.assemble((f"{name:<9}", style), rest, no_wrap=one_line, overflow="ellipsis"))
    parts += [Text(f"arriving {name}", style="dim") for name in state.arriving[:2]]
    parts.append(Text(f"{state.busy + ' ... ' if state.busy else ''}{ENDS}", style="dim"))
    return Group(*parts)


def _count(frames: int) -> str:
    return f"{frames} frame{'' if frames == 1 else 's'} so far"


def _shot_table(state: LiveState, most: int) -> Table:
    """Return the shot list around what is next; what does not fit is counted above and below."""
    shots = state.shots
    where = next((index for index, one in enumerate(shots) if one.shot.number == state.next_number), len(shots) - 1)
    first = max(0, min(where - most // 2, len(shots) - most))
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0))
    for column, justify in (("", "left"), ("shot", "left"), ("done", "left"), ("", "left")):
        table.add_column(column, justify=justify, no_wrap=True)  # type: ignore[arg-type]
    if first:
        table.add_row("", f"{first} before", f"{sum(one.complete for one in shots[:first])} complete", "")
    for one in shots[first : first + most]:
        mark, style = _mark(one, state.next_number)
        done = f"{min(one.done, one.shot.frames)} of {one.shot.frames}"
        more = f"+{one.done - one.shot.frames}" if one.done > one.shot.frames else ""
        notes = [more, f"{one.open} waiting" if one.open else "", f"{len(one.failed)} failed" if one.failed else ""]
        table.add_row(mark, escape(one.shot.step), done, ", ".join(note for note in notes if note), style=style)
    if below := shots[first + most :]:
        table.add_row("", f"{len(below)} after", f"{sum(one.complete for one in below)} complete", "")
    return table


def _mark(one: ShotState, next_number: int | None) -> tuple[str, str]:
    if one.shot.number == next_number:
        return ">", "bold"
    if one.complete:
        return "ok", "green"
    return ("!", "red") if one.failed else ("", "")


def screen_for(json_output: bool) -> Screen:
    """Return the screen of a run: standard output, or standard error where that is kept for JSON."""
    return screen_on(sys.stderr if json_output else sys.stdout)
