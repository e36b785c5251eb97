"""One damaged file on its way through kitgauge: what comes of it, and whether it may."""

from __future__ import annotations

import csv
import io
import json
import math
import random
import re
import shutil
import tomllib
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from hostile_mutations import MARK, Damage, damage_bytes, damage_text
from hostile_sources import SETTINGS_FRAMES

from kitgauge.errors import FrameError, KitgaugeError

# of 100 cases; a report with its figures costs a hundred times a plain case
SHARES = {"frames": 55, "settings": 8, "protocol": 8, "limits": 10, "results": 10, "run": 9}
LONGEST_MESSAGE = 6000
_NOT_OPENED = {"unreadable", "empty-picture", "not-raw-samples", "measurement-failed"}


class HostileError(Exception):
    """The case shows a fault: a number that cannot be right, markup on a page, a message out of form."""


@dataclass(frozen=True)
class Case:
    """One case: what is damaged and how; the same for the same seed and number."""

    kind: str
    source: str
    damages: tuple[Damage, ...]
    outcome: str = ""

    def __str__(self) -> str:
        done = ", ".join(f"{item.kind} {item.start}-{item.stop}" for item in self.damages)
        return f"{self.kind}/{self.source}: {done}"


def kind_of(seed: int, number: int) -> str:
    """Return what kind of file case `number` damages."""
    draw = random.Random(f"{seed}/{number}")
    return draw.choices([*SHARES], [*SHARES.values()])[0]


def run_case(sources: Path, work: Path, seed: int, number: int) -> Case:
    """Damage one file and use it; return what came of it.

    Raises HostileError, or whatever kitgauge should not have raised: anything but a KitgaugeError. Files lie in `work`.
    """
    draw = random.Random(f"{seed}/{number}")
    kind = draw.choices([*SHARES], [*SHARES.values()])[0]
    source, content = draw.choice(_contents(sources, kind))
    if work.exists():
        shutil.rmtree(work)
    work.mkdir(parents=True)
    damaged, damages = (damage_bytes if kind in ("frames", "run") else damage_text)(content, draw)
    case = Case(kind, source, tuple(damages))
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)  # numbers that overflow or come from nothing
        try:
            outcome = _DOES[kind](sources, work, case, content, damaged, draw)
        except KitgaugeError as error:
            _check_message(error)
            outcome = "refused"
    return Case(kind, source, tuple(damages), outcome)


@lru_cache(maxsize=8)
def _contents(sources: Path, kind: str) -> list[tuple[str, bytes]]:
    names = sorted(path for path in (sources / kind).rglob("*") if path.is_file())
    return [(path.relative_to(sources / kind).as_posix(), path.read_bytes()) for path in names]


def _check_message(error: KitgaugeError) -> None:
    message = error.message()
    if not error.what or len(message) > LONGEST_MESSAGE:
        raise HostileError(f"a message of {len(message)} characters: {message[:300]}") from error


def _frame(sources: Path, work: Path, case: Case, content: bytes, damaged: bytes, draw: random.Random) -> str:
    """One frame by itself: as the folder is read, as it is opened, shown, measured and reviewed."""
    from kitgauge.frames.opening import open_frame
    from kitgauge.ingest.scan import scan_folder

    path = work / case.source
    path.write_bytes(damaged)
    scan = scan_folder(work)
    (record,) = scan.frames
    if record.status == "rejected":
        if not record.reason or not record.flags:
            raise HostileError("rejected without a reason")
        return "refused"
    _check_settings(scan.settings[path])
    mosaic = open_frame(path, together=draw.random() < 0.3)
    if mosaic.samples.size == 0 or not mosaic.white_dn > float(np.max(mosaic.black_dn)):
        raise HostileError(f"a frame of {mosaic.shape}, white {mosaic.white_dn}, black {mosaic.black_dn}")
    if not mosaic.together:
        _check_samples(sources, case, content, damaged, mosaic.samples)
    what = draw.random()
    if what < 0.25:
        from kitgauge.ingest.cache import MeasurementCache
        from kitgauge.ingest.edge_frames import edge_task
        from kitgauge.runs.files import to_json

        to_json(edge_task(record, 4.3, MeasurementCache(None)).work())
    elif what < 0.35:
        from kitgauge.frames.shown import shown_picture

        shown_picture(path, mosaic.shape)
    elif what < 0.5:
        from kitgauge.review.folder import Reviewed
        from kitgauge.review.kit import Kits
        from kitgauge.review.one_frame import Wishes
        from kitgauge.review.page import review_page
        from kitgauge.review.shots import review_one, review_shot
        from kitgauge.review.words import letter, table_rows
        from kitgauge.runs.files import to_json

        kits, wishes = Kits(work / "no-results"), Wishes()
        if draw.random() < 0.5:  # the work of `review` on a folder and on a frame, here, where nothing is caught
            shot = review_shot([path], work, kits, wishes)
            if shot.stop is not None:
                raise shot.stop
            not_opened = {name: error.what for name, error in shot.not_opened.items()}
            found = Reviewed(work, tuple(shot.reviews), not_opened, {})
        else:
            found = Reviewed(path, (review_one(path, [path], kits, wishes),), {}, {})
        to_json(found.as_dict())
        table_rows(found)
        for frame in found.frames:
            letter(frame)
        _check_page(review_page(found))
    return "accepted"


def _check_settings(settings: Any) -> None:
    for name in ("iso", "shutter_s", "f_number", "focal_mm", "focal_35mm"):
        value = getattr(settings, name)
        if value is not None and not 0 < value <= 1e8:  # the widest of the stated ranges
            raise HostileError(f"{name} is {value}")


def _check_samples(sources: Path, case: Case, content: bytes, damaged: bytes, samples: np.ndarray) -> None:
    """Judge what can be judged: where pixels are missing, no other ones may be accepted in their place."""
    original, first, _ = _original(sources, case.source)
    if original is None or samples.shape != original.shape or np.array_equal(samples, original):
        return
    (damage, *more) = case.damages
    if more:
        return
    if damage.kind == "cut off" and len(content) - damage.start > 64:
        raise HostileError(f"{len(content) - len(damaged)} bytes are missing, and other pixels were accepted")
    plain = case.source in ("plain.dng", "mono.dng", "masked.dng")
    if plain and damage.kind == "block deleted" and damage.start >= first and damage.stop - damage.start > 64:
        raise HostileError("a block of pixels is missing, and the rest was accepted in other places")
    if plain and damage.kind == "block filled" and damage.start >= first:
        rows = (damage.stop - damage.start) // (2 * samples.shape[1])
        if rows > 16 and damaged[damage.start : damage.start + 1] == b"\0":
            raise HostileError(f"{rows} blank rows were accepted")


@lru_cache(maxsize=200)
def _original(sources: Path, source: str) -> tuple[np.ndarray | None, int, int]:
    """Return the samples of the sound file, and where its pixels begin and end (of the made ones: at the end)."""
    from kitgauge.frames.opening import open_frame

    path = sources / "frames" / source
    try:
        samples = open_frame(path).samples.copy()
    except FrameError:
        return None, 0, 0
    size = path.stat().st_size
    return samples, size - 2 * samples.size, size


def _settings(_sources: Path, work: Path, _case: Case, _content: bytes, damaged: bytes, _draw: random.Random) -> str:
    """A settings file: what is taken from it is what stands in it, read by other means."""
    from kitgauge.frames.settings_file import read_settings_file

    path = work / "settings.csv"
    path.write_bytes(damaged)
    table = read_settings_file(path, SETTINGS_FRAMES)
    text = damaged.decode("utf-8-sig")
    separator = max(",;\t", key=next(line for line in text.splitlines() if line.strip()).count)
    rows = [row for row in csv.reader(io.StringIO(text, newline=""), delimiter=separator) if any(map(str.strip, row))]
    header = [cell.strip() for cell in rows[0]]
    for cells in rows[1:]:
        given = dict(zip(header, (cell.strip() for cell in cells), strict=False))
        taken = table.get(given["file"].replace("\\", "/"))
        if taken is None:
            continue  # a name in another form
        for key in ("iso", "shutter_s", "f_number", "focal_mm"):
            value, said = getattr(taken, key), given.get(key, "")
            if (value is None) != (not said):
                raise HostileError(f"{key} is {value}, the cell says {said!r}")
            if value is not None and not math.isclose(value, _number(said), rel_tol=1e-9):
                raise HostileError(f"{key} is {value}, the cell says {said!r}")
    return "accepted"


def _number(text: str) -> float:
    found = re.findall(r"[\d.,]+(?:[eE][+-]?\d+)?", text)
    values = [float(item.replace(",", ".")) for item in found]
    return values[0] / values[1] if len(values) == 2 else values[0]


def _protocol(_sources: Path, work: Path, case: Case, _content: bytes, damaged: bytes, _draw: random.Random) -> str:
    """A protocol: a shot list and a page of it, or one error."""
    from rich.console import Console

    from kitgauge.protocol.brief import brief_html, brief_text, protocol_summary
    from kitgauge.protocol.loading import load_protocol
    from kitgauge.protocol.shot_list import shot_list

    path = work / Path(case.source).name
    path.write_bytes(damaged)
    loaded = load_protocol(path)
    raw = tomllib.loads(damaged.decode("utf-8-sig"))
    if (loaded.protocol.id, len(loaded.protocol.step)) != (raw["id"], len(raw["step"])):
        raise HostileError("the protocol is not what the file says")
    shots = shot_list(loaded.protocol)
    if not all(0 < shot.frames < 10_000 for shot in shots.shots):
        raise HostileError("a shot of no frames, or of too many")
    quiet = Console(quiet=True)
    quiet.print(brief_text(shots))
    quiet.print(protocol_summary(loaded))
    _check_page(brief_html(shots, loaded))
    return "accepted"


def _limits(_sources: Path, work: Path, _case: Case, _content: bytes, damaged: bytes, draw: random.Random) -> str:
    """A limits file: shown, planned with, written again; its numbers are those of the file, by another reader."""
    from kitgauge.limits.commands import show_limits
    from kitgauge.limits.store import drop, read_limits
    from kitgauge.planner.command import plan_from_results
    from kitgauge.runs.files import to_json

    path = work / "results" / "simulated" / "limits.toml"
    path.parent.mkdir(parents=True)
    path.write_bytes(damaged)
    found = read_limits(path).limits
    entries = tomllib.loads(damaged.decode("utf-8-sig")).get("limit", [])
    for entry, limit in zip(entries, found, strict=True):
        for key in ("iso", "shutter_s", "f_number_low", "f_number_high", "ci_low", "ci_high", "focal_mm"):
            said, taken = entry.get(key), getattr(limit.limit, key, None)
            same = said is None or taken is None or math.isclose(float(said), float(taken), rel_tol=1e-12)
            if not same and not (math.isnan(said) and math.isnan(taken)):  # unknown, in both
                raise HostileError(f"{key} is {taken}, the file says {said}")
    show_limits(work / "results", None)
    light = draw.choice(("ev2", "ev9.5", "ev15"))
    subject = draw.choice(("still", "moving", "fast"))
    plan = plan_from_results(work / "results", light=light, focal_mm=50.0, distance_m=3.0, subject=subject)
    plan.text()
    settings = json.loads(to_json(plan.as_dict()))["settings"]
    if not all(isinstance(value, float | int) and 0 < value < 1e7 for value in settings.values()):
        raise HostileError(f"settings that no camera has: {settings}")
    if found:
        drop(path, [1])
        if len(read_limits(path).limits) != len(found) - 1:
            raise HostileError("dropping one limit has changed the others")
    return "accepted"


def _results(sources: Path, work: Path, case: Case, _content: bytes, damaged: bytes, draw: random.Random) -> str:
    """Results that were changed: summary, acceptance, comparison, plan, now and then the page with its figures."""
    from rich.console import Console

    from kitgauge.limits.commands import accept_run, show_limits
    from kitgauge.limits.compare_runs import compare_runs
    from kitgauge.planner.command import plan_from_results
    from kitgauge.report.comparison_page import comparison_page
    from kitgauge.report.data import load_run
    from kitgauge.report.page import write_report
    from kitgauge.report.tables import print_summary
    from kitgauge.runs.files import to_json

    run = Path(case.source).parent
    folder = work / "results" / "simulated" / run
    shutil.copytree(sources / "results" / run, folder)
    (folder / Path(case.source).name).write_bytes(damaged)

    def summary() -> None:
        print_summary(load_run(folder), Console(quiet=True, file=io.StringIO()))

    def accepted() -> None:
        accept_run(folder, work / "results", "simulated", replace=True)
        show_limits(work / "results", "simulated")
        plan = plan_from_results(work / "results", "simulated", light="ev9", focal_mm=50.0, distance_m=3.0)
        plan.text()
        to_json(plan.as_dict())

    def compared() -> None:
        found = compare_runs([folder, sources / "results" / "hands-2"]).as_dict()
        to_json(found)
        _check_page(comparison_page(found))

    def report() -> None:
        _check_page(write_report(folder).read_text(encoding="utf-8", errors="replace"))

    refused = 0
    steps: list[Callable[[], None]] = [summary, accepted, *([compared] if run.name.startswith("hands") else [])]
    if draw.random() < 0.03:
        steps.append(report)
    for step in steps:
        try:
            step()
        except KitgaugeError as error:
            _check_message(error)
            refused += 1
    return "refused" if refused == len(steps) else "accepted"


def _check_page(page: str) -> None:
    if MARK in page or "<script>kg" in page:
        raise HostileError("markup from a file stands on the page")
    if not page.rstrip().endswith("</html>"):
        raise HostileError("half a page")


@contextmanager
def _one_thread() -> Iterator[ThreadPoolExecutor]:
    with ThreadPoolExecutor(1) as executor:
        yield executor


def _run(sources: Path, work: Path, case: Case, content: bytes, damaged: bytes, draw: random.Random) -> str:
    """A whole run with one damaged frame: refused, it changes no number of the others."""
    from kitgauge import runner

    frames = work / "frames"
    shutil.copytree(sources / "run", frames)
    (frames / case.source).write_bytes(damaged)
    with _one_thread() as executor:
        done = runner.run("noise-ladder", frames, out=work / "out", executor=executor, workers=1, report=False)
    (record,) = [record for record in done.records if record.file == case.source]
    if record.status == "used":
        return "accepted"
    if not record.reason:
        raise HostileError(f"{record.status} without a reason")
    unopened = record.status == "unmatched" or _NOT_OPENED.intersection(record.flags)  # a clipped flat tells something
    if damaged != content and unopened and done.curves["noise"] != _without(sources, case.source):
        raise HostileError(f"{record.status} ({record.reason}), and other numbers came out")
    del draw
    return "refused"


@lru_cache(maxsize=40)
def _without(sources: Path, left_out: str) -> Any:
    """Return the noise section of the sound series without one of its frames."""
    import tempfile

    from kitgauge import runner

    with tempfile.TemporaryDirectory() as place, _one_thread() as executor:
        frames = Path(place) / "frames"
        shutil.copytree(sources / "run", frames)
        (frames / left_out).unlink()
        done = runner.run("noise-ladder", frames, out=Path(place) / "out", executor=executor, workers=1, report=False)
    return done.curves["noise"]


_DOES: dict[str, Callable[[Path, Path, Case, bytes, bytes, random.Random], str]] = {
    "frames": _frame,
    "settings": _settings,
    "protocol": _protocol,
    "limits": _limits,
    "results": _results,
    "run": _run,
}
