"""What a watched run says: the verdict on a frame, what is next with its settings, what holds for all frames."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

from kitgauge.exposure import exact_iso, exact_shutter_s, format_shutter, nominal_iso
from kitgauge.flags import FLAGS, Severity
from kitgauge.ingest.record import FrameRecord
from kitgauge.live.arrivals import Arrivals
from kitgauge.live.shot_states import ShotBook, ShotState, failed_frame, settings_text
from kitgauge.live.state import Verdict
from kitgauge.protocol.shot_list import Shot
from kitgauge.runs.request import Chosen

_OF_ALL = ("rendered", "no-target")  # flags of the whole series: said once, not with each frame
_MOVING = ("handheld", "subject")


def doubts_of(record: FrameRecord) -> tuple[str, ...]:
    """Return the flags that make a frame doubtful."""
    return tuple(name for name in record.flags if FLAGS[name].severity is Severity.DOUBT and name not in _OF_ALL)


def of_all(records: Iterable[FrameRecord]) -> str:
    """Return what is to be said of the frames in use as a whole, "" where there is nothing."""
    told = dict.fromkeys(name for record in records if record.status == "used" for name in record.flags)
    flags = [FLAGS[name] for name in _OF_ALL if name in told]
    return " ".join(f"All frames: {flag.text}; {flag.advice}." for flag in flags)


def verdict_on(record: FrameRecord, waiting: str | None, remark: str, book: ShotBook, seconds: float) -> Verdict:
    """Return what is said of one frame; `waiting` is what it waits for, `remark` what was measured of it."""
    step = record.step or ""
    if record.status == "rejected":
        failed = failed_frame(record)
        return Verdict(record.file, "failed", step, failed.why, failed.advice, seconds)
    if waiting is not None:
        return Verdict(record.file, "waiting", step, waiting, "", seconds)
    if record.status == "unmatched":
        return Verdict(record.file, "left out", step, record.reason or "serves no step", "", seconds)
    if book.shot_of(record) is None:
        remark = "; ".join(part for part in (remark, "besides the list, used all the same") if part)
    if doubts := [FLAGS[name] for name in doubts_of(record)]:
        words = "; ".join([*([remark] if remark else []), *(flag.text for flag in doubts)])
        return Verdict(record.file, "doubtful", step, words, doubts[0].advice, seconds)
    return Verdict(record.file, "good", step, remark, "", seconds)


def next_text(shot: Shot, frames: int) -> str:
    """Return how many frames of a shot are next, with its settings."""
    many = f"{frames} frame{'' if frames == 1 else 's'}"
    return f"{shot.step}: {many} at {settings_text(shot) or 'settings of your own choice'}"


def again_text(state: ShotState, book: ShotBook) -> str:
    """Return how many frames of a shot are to be shot again, why, and what to do with those that failed."""
    failed = state.failed[-1]
    why = ", ".join(part for part in (failed.why, failed.advice) if part)
    hint = ""
    if book.by_order(state.shot):
        hint = "; delete the failed frame first, since frames at this setting are told apart by their order"
    return f"{state.shot.step}: {state.lacking} of {state.shot.frames}: {why}{hint}"


def arriving_text(name: str, arrivals: Arrivals) -> str:
    """Return a file that is on its way, with its size so far."""
    broken = " (does not open yet)" if arrivals.does_not_open(name) else ""
    return f"{name} {arrivals.size(name) / 1e6:.1f} MB{broken}"


def shot_at(shutter_s: float, shots: Sequence[Shot]) -> Shot | None:
    """Return the shot of a moving camera or subject at another shutter time [s], as balanced as those of the list."""
    exact_s = exact_shutter_s(shutter_s)
    moving = [(shot, shot.shutter_s) for shot in shots if shot.role in _MOVING and shot.shutter_s is not None]
    if not moving:
        return None
    like, like_s = min(moving, key=lambda one: abs(math.log2(one[1] / exact_s)))
    guide = replace(like.guide, shutter_s=exact_s)
    if guide.iso is not None:
        guide = replace(guide, iso=exact_iso(nominal_iso(guide.iso * like_s / exact_s)))
    elif like_s != exact_s:  # how much light would lack is told for the shot's own time
        like = replace(like, note="ISO by the meter")
    label = f"{like.step_name} {format_shutter(shutter_s).removesuffix(' s')}" if shutter_s < 1 else like.step_name
    return replace(like, step=label, shutter_s=exact_s, guide=guide)


def kit_text(chosen: Chosen) -> str:
    """Return body, lens and focal length."""
    kit = chosen.kit
    focal = f"{kit.focal_mm:g} mm" if kit.focal_mm else ""
    return ", ".join(part for part in (kit.body or "a body that is not named", kit.lens or "", focal) if part)
