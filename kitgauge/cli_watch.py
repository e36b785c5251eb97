"""The command line of `kitgauge run --watch`: the screen, and the range that the shot list is made for."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kitgauge.errors import UsageError
from kitgauge.readable_text import tell

if TYPE_CHECKING:
    from kitgauge.runs.outcome import Run

RANGE_OPTIONS = {
    "iso_min": "--iso-min",
    "iso_max": "--iso-max",
    "f_min": "--f-min",
    "f_max": "--f-max",
    "shutter_fastest_s": "--fastest",
    "shutter_slowest_s": "--slowest",
    "enough_stops": "--enough",
}


def only_with_watch(given: dict[str, Any]) -> None:
    """Raise UsageError where an option was given that means nothing without --watch."""
    for name, option in RANGE_OPTIONS.items():
        if given.get(name) is not None:
            raise UsageError(
                "this option is for watching a folder",
                where=option,
                got=f"{option} without --watch",
                needed="frames that are there are measured whatever their settings",
                fix="leave it out, or add --watch",
            )


def watched_run(protocol: str, frames: Path, given: dict[str, Any], *, json_output: bool, **asked: Any) -> Run:
    """Watch the folder and measure what comes; `given` are the values of `RANGE_OPTIONS`, `asked` those of a run."""
    from kitgauge.ingest.worker_pool import default_workers
    from kitgauge.protocol.marked import parse_shutter_text
    from kitgauge.protocol.shot_list import CameraRange
    from kitgauge.report.live_screen import screen_for
    from kitgauge.report.progress import progress_display
    from kitgauge.runs.live import watch
    from kitgauge.runs.request import checked_request

    enough_stops = given.get("enough_stops")
    if enough_stops is not None and not 0 < enough_stops < 20:
        raise UsageError(
            "not a width of an interval", where="--enough", got=enough_stops, needed="stops, for example 0.5"
        )
    known = {name: value for name, value in given.items() if value is not None and name != "enough_stops"}
    for name in ("shutter_fastest_s", "shutter_slowest_s"):
        if name in known:
            known[name] = parse_shutter_text(known[name], RANGE_OPTIONS[name])
    workers = asked.pop("workers") or default_workers()
    request = checked_request(protocol, frames, workers=workers, **asked)
    camera = CameraRange(**known, focal_mm=request.focal_mm, pitch_um=request.pitch_um)
    with ExitStack() as shown, ExitStack() as bars:
        screen = shown.enter_context(screen_for(json_output))
        drawing: list[Callable[[str, int, int], None]] = []

        def ended(sentence: str) -> None:
            shown.close()
            tell(sentence, err=json_output)
            drawing.append(bars.enter_context(progress_display()))

        def progress(stage: str, done: int, total: int) -> None:
            for draw in drawing:
                draw(stage, done, total)

        return watch(request, camera, screen.show, enough_stops=enough_stops, ending=ended, progress=progress)
