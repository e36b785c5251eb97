"""A watched run on the screen: a picture that is drawn anew on a terminal, one line per event in a pipe."""

from __future__ import annotations

import math
import sys
from types import TracebackType
from typing import Protocol, Self, TextIO

from rich.console import Console, ConsoleDimensions, Group
from rich.live import Live
from rich.text import Text

from kitgauge.live.enough import Estimate
from kitgauge.live.shot_states import ShotState
from kitgauge.live.state import LiveState, Outcome, Verdict
from kitgauge.readable_text import readable

_SHOWN_VERDICTS = 6
_LEAST_SHOTS = 4  # lines: heading, what is next, and what is counted above and below
_SHORT = 24  # rows; a shorter terminal shows the least that serves
_LABEL = 7  # columns
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
    if not stream.isatty():
        return LineScreen(stream)
    console = Console(file=stream)
    return LineScreen(stream) if console.is_dumb_terminal else DrawnScreen(console)


class DrawnScreen:
    """A terminal's lower part, drawn anew at each change; the last state stays. The bell rings for a failed frame."""

    def __init__(self, console: Console) -> None:
        """Draw on `console`."""
        self._console = console
        self._live = Live(console=console, auto_refresh=False, vertical_overflow="crop")
        self._drawn: tuple[LiveState, ConsoleDimensions] | None = None
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
        """Draw a state, if it or the size of the terminal differs from the last one."""
        size = self._console.size
        if (state, size) == self._drawn:
            return
        self._drawn = (state, size)
        self._live.update(Group(*drawn(state, size.width, size.height)), refresh=True)
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
        if state.of_all != last.of_all and state.of_all:
            self._say(state.of_all)
        if state.complete and not last.complete:
            self._say("The list is complete.")
        if state.next != last.next and state.next:
            self._say(f"Next: {state.next}")
        if state.estimate is not None and state.estimate != last.estimate:
            self._say(f"So far: {state.estimate.text}")
            self._say(width_sentence(state.estimate, complete=state.complete))
        if state.no_estimate and state.no_estimate != last.no_estimate:
            self._say(f"So far no result: {state.no_estimate}")
        if state.adaptive and state.adaptive != last.adaptive and _asks_for_more(state):
            self._say(f"More: {state.adaptive}.")

    def _say(self, line: str) -> None:
        self._stream.write(readable(" ".join(line.split())) + "\n")
        self._stream.flush()


_AWAY = "The folder has gone. What was measured is kept; it goes on when the folder is back."


def verdict_line(verdict: Verdict) -> str:
    """Return what is said of one frame as one line."""
    said = "; ".join(part for part in (verdict.words, verdict.advice) if part)
    step = f" ({verdict.step})" if verdict.step else ""
    return f"{_WORDS[verdict.outcome]}: {verdict.file}{step}{': ' + said if said else ''}"


def width_sentence(estimate: Estimate, *, complete: bool) -> str:
    """Return how wide the interval is and whether that is enough; `complete` tells that the list is."""
    wanted = f"{estimate.wanted:.2f} {estimate.unit}"
    if not math.isfinite(estimate.width):
        return f"Its interval is open{'' if complete else ' so far'} ({wanted} would be narrow enough)."
    wide = f"95 % interval {estimate.width:.2f} {estimate.unit} wide"
    if estimate.enough:
        rest = "" if complete else "; the rest of the list makes the curve whole"
        return f"Enough: {wide} ({wanted} is narrow enough){rest}."
    against = estimate.width <= estimate.wanted
    because = ", but something stands against the result itself" if against else ""
    return f"Not yet enough: {wide} ({wanted} is narrow enough){because}."


def _asks_for_more(state: LiveState) -> bool:
    return state.estimate is None or not state.estimate.enough


def drawn(state: LiveState, width: int, height: int) -> list[Text]:
    """Return a state as the lines of a terminal of so many columns and rows, the shot list and the verdicts on the
    frames cut to what is left of it."""
    above = _head(state, width)
    below = _answers(state, width, short=height < _SHORT)
    busy = f"{state.busy} ... " if state.busy else ""
    more = f" and {len(state.arriving) - 1} more" if len(state.arriving) > 1 else ""
    last = [
        *(Text(f"arriving {name}{more}", style="dim") for name in state.arriving[:1]),
        Text(busy + ENDS, style="dim"),
    ]
    last = [one for line in last for one in _wrapped(line, width, 1)]
    room = height - 1 - len(above) - len(below) - len(last)
    shots = len(state.shots) + 1
    for_shots = min(shots, max(_LEAST_SHOTS, room - _SHOWN_VERDICTS)) if room > _LEAST_SHOTS else 0
    verdicts = _verdicts(state, width, max(0, room - for_shots))
    spare = max(0, room - for_shots - len(verdicts))
    table = _shot_lines(state, min(shots, for_shots + spare), width) if for_shots else []
    lines = [*above, *table, *below, *verdicts, *last][: max(1, height - 1)]
    for line in lines:
        line.plain = readable(line.plain)  # as long as before: colours stay where they are
    return lines


def _head(state: LiveState, width: int) -> list[Text]:
    """Return whose run this is, and what goes wrong with all of it."""
    head = Text.assemble((state.title, "bold"), f"  {state.kit}" if state.kit else "")
    lines = [head, Text(f"{_count(state.frames)} in {state.folder}", style="dim")]
    found = [one for line in lines for one in _wrapped(line, width, 1)]
    if state.away:
        found += _wrapped(Text(_AWAY, style="bold red"), width, 2)
    if state.problem:
        found += _wrapped(Text(" ".join(state.problem.split()), style="bold red"), width, 6)
    return found + (_wrapped(Text(state.of_all, style="yellow"), width, 3) if state.of_all else [])


def _answers(state: LiveState, width: int, *, short: bool) -> list[Text]:
    """Return what is next, what to shoot again, and the running estimate."""
    few, many = (1, 2) if short else (2, 5)
    parts: list[tuple[str, str, str, int]] = []  # label, its style, text, most lines
    if state.complete:
        parts.append(("Done", "bold green", "The list is complete.", 1))
    if state.next:
        parts.append(("Next", "bold", state.next, many))
    parts += [("Again", "bold red", again, many) for again in state.again[: 1 if short else 3]]
    if state.estimate is not None:
        parts.append(("So far", "bold", state.estimate.text, few if short else many))
        style = "bold green" if state.estimate.enough else ""
        parts.append(("", style, width_sentence(state.estimate, complete=state.complete), few))
    elif state.no_estimate:
        parts.append(("So far", "bold", f"no result: {state.no_estimate}", many))
    if state.adaptive and _asks_for_more(state) and not short:
        parts.append(("More", "bold", state.adaptive, few))
    lines: list[Text] = []
    for label, style, text, most in parts:
        said = _wrapped(Text(text, style="" if label else style), width - _LABEL, most)
        starts = [Text(f"{label:<{_LABEL}}", style=style), *(Text(" " * _LABEL) for _ in said[1:])]
        lines += [Text.assemble(start, line) for start, line in zip(starts, said, strict=True)]
    return lines


def _verdicts(state: LiveState, width: int, most: int) -> list[Text]:
    """Return the last verdicts in so many lines; what failed is told at length where there is room."""
    latest = {verdict.file: verdict for verdict in state.verdicts}  # the last said of each, in the order of the first
    shown: list[list[Text]] = []
    for verdict in reversed(list(latest.values())[-most:] if most else []):
        name, _, rest = verdict_line(verdict).partition(": ")
        line = Text.assemble((f"{name:<9}", _STYLES[verdict.outcome]), rest)
        lines = _wrapped(line, width, 3 if verdict.outcome in ("failed", "doubtful") and most > 3 else 1)
        if sum(map(len, shown)) + len(lines) > most or len(shown) == _SHOWN_VERDICTS:
            break
        shown.append(lines)
    return [line for lines in reversed(shown) for line in lines]


def _wrapped(text: Text, width: int, most: int) -> list[Text]:
    """Return a text as lines, at most so many: the last one ends in dots where there would be more."""
    lines = list(text.wrap(Console(width=width), width))
    if len(lines) > most:
        rest = lines[most - 1 :]
        for line in rest:
            line.rstrip()
        lines[most - 1 :] = [Text(" ").join(rest)]
        lines[-1].truncate(width, overflow="ellipsis")
    for line in lines:
        line.rstrip()
    return lines


def _count(frames: int) -> str:
    return f"{frames} frame{'' if frames == 1 else 's'} so far"


def _shot_lines(state: LiveState, most: int, width: int) -> list[Text]:
    """Return the shot list around what is next in so many lines; what does not fit is counted above and below."""
    shots = state.shots
    where = next((index for index, one in enumerate(shots) if one.shot.number == state.next_number), len(shots) - 1)
    rows = max(1, most - 1 if len(shots) < most else most - 3)
    first = max(0, min(where - rows // 2, len(shots) - rows))
    column = max([len(one.shot.step) for one in shots[first : first + rows]], default=0)
    column = max(min(column, width - 24), len("00 before"))
    lines = [Text(f"   {'shot':<{column}}  done", style="dim")]

    def row(mark: str, step: str, done: str, note: str, style: str) -> None:
        line = Text(f"{mark:<2} {step[:column]:<{column}}  {done:<8}{'  ' if note else ''}{note}".rstrip(), style=style)
        line.truncate(width, overflow="ellipsis")
        lines.append(line)

    if first:
        row("", f"{first} before", f"{sum(one.complete for one in shots[:first])} complete", "", "dim")
    for one in shots[first : first + rows]:
        mark, style = _mark(one, state.next_number)
        more = f"+{one.done - one.shot.frames}" if one.done > one.shot.frames else ""
        notes = [more, f"{one.open} waiting" if one.open else "", f"{len(one.failed)} failed" if one.failed else ""]
        done = f"{min(one.done, one.shot.frames)} of {one.shot.frames}"
        row(mark, one.shot.step, done, ", ".join(note for note in notes if note), style)
    if below := shots[first + rows :]:
        row("", f"{len(below)} after", f"{sum(one.complete for one in below)} complete", "", "dim")
    return lines


def _mark(one: ShotState, next_number: int | None) -> tuple[str, str]:
    if one.shot.number == next_number:
        return ">", "bold"
    if one.complete:
        return "ok", "green"
    return ("!", "red") if one.failed else ("", "")


def screen_for(json_output: bool) -> Screen:
    """Return the screen of a run: standard output, or standard error where that is kept for JSON."""
    return screen_on(sys.stderr if json_output else sys.stdout)
