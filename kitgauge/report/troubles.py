"""The frames and numbers that something is to be said about: what was wrong, what to do, what to shoot again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from kitgauge.flags import Severity
from kitgauge.report import wording
from kitgauge.report.data import FRAME_STATUSES, FrameRow, RunData, flag_of, mapping, number, records, text, texts

NOT_YET = "not measured yet"  # how the reason of a frame begins that an interrupted run had no time for
_SAID_OF_HANDHELD = ("below-floor",)  # a comparison with the tripod frames says nothing about those


@dataclass(frozen=True)
class Thumbnail:
    """One small picture of the page. `source` is the picture itself, as an address of the kind data:."""

    source: str
    width_px: int
    height_px: int
    alt: str
    caption: str


@dataclass(frozen=True)
class Trouble:
    """One thing that was wrong with frames or numbers: what, what to do, which ones, and what it looks like."""

    name: str
    text: str
    advice: str
    severity: str  # "rejected", "doubt", "note", "unmatched"
    count: int
    examples: str
    counted: str = ""  # "9 handheld and 14 tripod frames", "1 frame"
    thumbnails: tuple[Thumbnail, ...] = ()
    more_pictures: int = 0  # that are not shown


@dataclass(frozen=True)
class Reshoot:
    """One step that lacks frames."""

    step: str
    text: str


def frame_troubles(frames: Sequence[FrameRow]) -> list[Trouble]:
    """Return what was wrong with frames, one entry per flag or reason: rejected, left out, doubts, notes.

    What was said about a rejected frame beyond its flag stands behind the flag's text, in brackets.
    """
    files: dict[tuple[str, str], list[str]] = {}
    roles = {frame.file: frame.role for frame in frames}
    isos = {frame.file: frame.number("iso") for frame in frames if frame.role in ("flat", "dark")}
    remarks: dict[tuple[str, str], list[str]] = {}
    for frame in frames:
        said = [s for s in _said(frame) if not (frame.role == "tripod" and s[1] in _SAID_OF_HANDHELD)]
        known = {flag.text for _, name in said if (flag := flag_of(name))}
        for key in said:
            files.setdefault(key, []).append(frame.file)
        if said and said[0][0] == "rejected":
            details = remarks.setdefault(said[0], [])
            details += [r for r in frame.remarks if r not in known and r not in details and r != said[0][1]]
    found = []
    for (severity, name), named in files.items():
        flag = flag_of(name)
        details = remarks.get((severity, name), [])
        what = flag.text if flag else name
        if details:
            what += f" ({wording.listing(details, 2)})"
        examples = wording.listing(list(dict.fromkeys(named)), 4)
        if at := sorted({isos[file] for file in named if isos.get(file, 0.0) > 0}):
            examples = f"ISO {wording.listing([f'{iso:g}' for iso in at], 8)}: {examples}"
        counted = _counted([roles[file] for file in named])
        found.append(Trouble(name, what, flag.advice if flag else "", severity, len(named), examples, counted))
    order = {"rejected": 0, "unmatched": 1, "doubt": 2, "note": 3}
    return sorted(found, key=lambda item: (order[item.severity], -item.count))


def _counted(roles: Sequence[str]) -> str:
    """Return '9 handheld and 14 tripod frames' where blur frames of both kinds are meant, else '23 frames'."""
    moving = [role for role in dict.fromkeys(roles) if role in ("handheld", "subject")]
    tripod = roles.count("tripod")
    if not moving or not tripod or len(set(roles)) > len(moving) + 1:
        return wording.count(len(roles), "frame")
    kinds = [f"{roles.count(role)} {role}" for role in moving]
    return f"{wording.joined([*kinds, f'{tripod} tripod'])} frames"


def _said(frame: FrameRow) -> list[tuple[str, str]]:
    """Return (severity, flag or reason) of everything said about a frame, what rejects it first."""
    said: list[tuple[str, str]] = []
    for name in frame.flags:
        flag = flag_of(name)
        if flag is not None and flag.severity is Severity.REJECT and frame.status == "rejected":
            said.insert(0, ("rejected", name))
        elif flag is not None:
            said.append(("note" if flag.severity is Severity.NOTE else "doubt", name))
    if frame.status not in ("rejected", "unmatched"):
        return said + [("note", remark) for remark in frame.remarks]
    if not said or said[0][0] != "rejected":
        said.insert(0, (frame.status, frame.remarks[0] if frame.remarks else "no reason was recorded"))
    return said


def reshoot_list(data: RunData) -> list[Reshoot]:
    """Return the steps to shoot again: those with rejected frames. What to change stands with the reasons."""
    steps: dict[str, list[FrameRow]] = {}
    for frame in data.frames:
        if frame.step:
            steps.setdefault(frame.step, []).append(frame)
    found = []
    for step, frames in steps.items():
        used = sum(1 for f in frames if f.status == "used")
        lost = [f for f in frames if f.status == "rejected"]
        if not lost:
            continue
        found.append(Reshoot(step, f"{wording.count(len(lost), 'frame')} rejected, {used} used."))
    return found


def number_doubts(data: RunData) -> list[Trouble]:
    """Return what the flags on the measured points say, one entry per flag, with the points that carry it."""
    groups: dict[str, list[str]] = {}
    for part, key in (("noise", "iso"), ("sharpness", "f_number")):
        for point in records(data.part(part).get("points")):
            value = number(point.get(key))
            setting = wording.iso(value) if key == "iso" else wording.f_number(value)
            where = " ".join(x for x in (setting, text(point.get("channel" if key == "iso" else "region"))) if x)
            for name in texts(point.get("flags")):
                found = groups.setdefault(name, [])
                if where not in found:
                    found.append(where)
    told = {name for frame in data.frames for name in frame.flags if flag_of(name) is not None}
    told |= {name for limit in data.limits for name in texts(limit.get("flags"))}
    for frame in records(data.part("blur").get("frames")):
        for name in texts(frame.get("flags")):
            if frame.get("role") == "tripod" and name in _SAID_OF_HANDHELD:
                continue
            files = groups.setdefault(name, [])
            if text(frame.get("file")) not in files:
                files.append(text(frame.get("file")))
    troubles = []
    for name, places in groups.items():
        if name in told:  # with the frames, or with the limit
            continue
        flag = flag_of(name)
        severity = "note" if flag is not None and flag.severity is Severity.NOTE else "doubt"
        said, advice = (flag.text, flag.advice) if flag is not None else (name, "")
        troubles.append(Trouble(name, said, advice, severity, len(places), wording.listing(places, 4)))
    return sorted(troubles, key=lambda item: (item.severity != "doubt", -item.count))


def frames_sentence(data: RunData) -> str:
    """Return how many frames were used and how many were not."""
    total = len(data.frames)
    if total == 0:
        return "No frame is recorded."
    counts = {status: sum(1 for f in data.frames if f.status == status) for status in FRAME_STATUSES}
    if counts["used"] == total:
        return f"All {total} frames were used." if total > 1 else "The one frame was used."
    waiting = sum(1 for f in data.frames if f.status == "unmatched" and any(r.startswith(NOT_YET) for r in f.remarks))
    counts["unmatched"] -= waiting
    said = (("rejected", "rejected"), ("unmatched", "left out"))
    lost = [f"{counts[status]} {word}" for status, word in said if counts[status]]
    lost += [f"{waiting} {NOT_YET}"] if waiting else []
    others = total - sum(counts.values()) - waiting
    if others:
        lost.append(f"{others} of unknown state")
    return f"Of {wording.count(total, 'frame')}, {counts['used'] or 'none'} used, {wording.joined(lost)}."


def files_left_out(run: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return (why, file names) of the files in the folder that are no frames at all."""
    groups: dict[str, list[str]] = {}
    for file, why in mapping(run.get("not_frames")).items():
        groups.setdefault(text(why) or "not a frame", []).append(str(file))
    return [(why, wording.listing(files, 4)) for why, files in groups.items()]
