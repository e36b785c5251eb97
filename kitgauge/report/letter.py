"""The opening of the report: the limits in a sentence each with what to do, then the frames that did not
serve.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from kitgauge.flags import Severity
from kitgauge.report import wording
from kitgauge.report.data import (
    FRAME_STATUSES,
    FrameRow,
    RunData,
    flag_of,
    mapping,
    number,
    records,
    text,
    texts,
)
from kitgauge.report.regions import corner_share

_WANTED_CHANCE = 0.95
NOT_YET = "not measured yet"  # how the reason of a frame begins that an interrupted run had no time for
_CRITERION_WORDS = {  # what stands before and after the value
    "snr": ("SNR ", " at mid-grey"),
    "output_mp": ("picture of ", " MP"),
    "streak_px": ("streaks of at most ", " px"),
    "keep": ("", " of frames"),
    "mtf50_fraction": ("at least ", " of the best MTF50"),
}
_SAID_OF_HANDHELD = ("below-floor",)  # a comparison with the tripod frames says nothing about those


@dataclass(frozen=True)
class LimitText:
    """One limit as a paragraph."""

    heading: str
    sentence: str
    interval: str
    advice: str
    more: str  # advice beyond the first sentence, empty where a limit before it says the same
    criterion: str
    doubts: tuple[str, ...]


@dataclass(frozen=True)
class Trouble:
    """One thing that was wrong with frames or numbers: what, what to do, and which ones."""

    name: str
    text: str
    advice: str
    severity: str  # "rejected", "doubt", "note", "unmatched"
    count: int
    examples: str
    counted: str = ""  # "9 handheld and 14 tripod frames", "1 frame"


@dataclass(frozen=True)
class Reshoot:
    """One step that lacks frames."""

    step: str
    text: str


def is_subject(data: RunData) -> bool:
    """Tell whether the blur is that of a moving subject in front of a still camera, not that of hands."""
    return any(frame.get("role") == "subject" for frame in records(data.part("blur").get("frames")))


def limit_texts(data: RunData) -> list[LimitText]:
    """Return every limit as a paragraph, in file order. What a limit before it has said is not said again."""
    told: set[str] = set()

    def once(said: str) -> str:
        if said in told:
            return ""
        told.add(said)
        return said

    subject = is_subject(data)
    found = []
    for limit in data.limits:
        interval = "" if "interval" in text(limit.get("text")) else _interval(limit)
        if limit.get("region") == "whole frame":
            interval = " ".join(part for part in (interval, whole_frame_text(data.part("sharpness"))) if part)
        advice, more = _advice(limit, subject)
        found.append(
            LimitText(
                heading=_heading(limit),
                sentence=text(limit.get("text")) or _plain_sentence(limit),
                interval=interval,
                advice=advice,
                more=once(more),
                criterion=once(criterion_text(mapping(limit.get("criterion")))),
                doubts=tuple(said for name in texts(limit.get("flags")) if (said := once(flag_sentence(name)))),
            )
        )
    return found


def whole_frame_text(sharpness: Mapping[str, Any]) -> str:
    """Return what a limit of the whole frame does not say: how far the corners are behind the centre."""
    f_number, share = corner_share(records(sharpness.get("points")))
    said = "Each place is compared with its own best"
    if not math.isfinite(share):
        return f"{said}."
    return f"{said}; at {wording.f_number(f_number)} the outermost corners reach {wording.share(share)} of the centre."


def setting_text(limit: Mapping[str, Any], suffix: str = "_dial") -> str:
    """Return the setting of a limit for use, 'ISO 3200', '1/60 s', 'f/2.8 to f/8'; suffix "" for the exact
    one.
    """
    kind = limit.get("kind")
    if kind == "iso":
        value = number(limit.get(f"iso{suffix}"))
        return wording.iso(value) if suffix else f"ISO {wording.plain(value, 3)}"
    if kind == "shutter":
        value = number(limit.get(f"shutter_s{suffix}"))
        return wording.shutter(value) if suffix else wording.exact_shutter(value)
    if kind == "f_number":
        low, high = (number(limit.get(f"f_number_{end}{suffix}")) for end in ("low", "high"))
        if suffix:
            return wording.f_number(low) if low == high else f"{wording.f_number(low)} to {wording.f_number(high)}"
        return f"f/{wording.plain(low, 3)} to f/{wording.plain(high, 3)}"
    return wording.UNKNOWN


def _heading(limit: Mapping[str, Any]) -> str:
    names = {"iso": "Highest ISO", "shutter": "Slowest shutter speed", "f_number": "Sharp f-numbers"}
    parts = [names.get(text(limit.get("kind")), text(limit.get("kind")).replace("_", "-") or "Limit")]
    if region := text(limit.get("region")):
        parts.append(region)
    if technique := text(limit.get("technique")):
        parts.append(technique)
    beyond = " or slower" if "ladder-too-fast" in texts(limit.get("flags")) else ""
    return f"{', '.join(parts)}: {'at least ' if limit.get('at_least') else ''}{setting_text(limit)}{beyond}"


def _plain_sentence(limit: Mapping[str, Any]) -> str:
    return f"By your criterion the limit is {setting_text(limit, '')}, {setting_text(limit)} on the dial."


def interval_ends(limit: Mapping[str, Any]) -> tuple[str, str]:
    """Return the ends of a limit's 95 % interval as text, 'not estimated' where unknown."""
    low, high = (_end_text(limit.get("kind"), number(limit.get(key))) for key in ("ci_low", "ci_high"))
    return low, high


def _end_text(kind: object, value: float) -> str:
    if not math.isfinite(value):
        return wording.NOT_ESTIMATED
    if kind == "shutter":
        return wording.exact_shutter(value)
    if kind == "f_number":
        return f"f/{wording.plain(value, 3)}"
    return f"ISO {wording.plain(value, 3)}" if kind == "iso" else wording.plain(value, 3)


def _interval(limit: Mapping[str, Any]) -> str:
    low, high = number(limit.get("ci_low")), number(limit.get("ci_high"))
    first, second = interval_ends(limit)
    if not math.isfinite(low) and not math.isfinite(high):
        return "How sure this is was not estimated."
    more, less = ("slower", "faster") if limit.get("kind") == "shutter" else ("higher", "lower")
    if not math.isfinite(high):
        return f"With 95 % confidence it is {first} or {more}; the {more} end is open."
    if not math.isfinite(low):
        return f"With 95 % confidence it is {second} or {less}; the {less} end is open."
    if limit.get("kind") == "f_number":  # the ends belong to two different f-numbers
        return _range_interval(limit)
    if not (low > 0 and high > 0):
        return f"The 95 % interval is {first} to {second}."
    return f"The 95 % interval is {first} to {second}, {math.log2(high / low):.2f} stops wide."


def _range_interval(limit: Mapping[str, Any]) -> str:
    """Return the intervals of both ends of a range of f-numbers, or what is known of them."""
    ends = [limit.get("f_number_low_ci"), limit.get("f_number_high_ci")]
    known = [[number(value) for value in end] if isinstance(end, list) else [] for end in ends]
    if all(len(end) == 2 and all(math.isfinite(value) for value in end) for end in known):
        (low, low_up), (high, high_up) = ([wording.plain(value, 3) for value in end] for end in known)
        return (
            f"With 95 % confidence it begins between f/{low} and f/{low_up}, and ends between f/{high} and f/{high_up}."
        )
    first, second = interval_ends(limit)
    return f"With 95 % confidence it begins no lower than {first} and ends no higher than {second}."


def _advice(limit: Mapping[str, Any], subject: bool) -> tuple[str, str]:
    """Return what to do with a limit: the sentence that matters, and what else there is to say."""
    kind, setting = limit.get("kind"), setting_text(limit)
    if wording.UNKNOWN in setting or "criterion-not-met" in texts(limit.get("flags")):
        return "", ""
    if kind == "iso":
        return (
            f"What to do: make {setting} the ceiling of automatic ISO.",
            "If the light asks for more, open the aperture, slow the shutter or add light first; a smaller picture "
            "also tolerates more noise.",
        )
    if kind == "f_number":
        return (
            f"What to do: {'stay within' if ' to ' in setting else 'use'} {setting} when sharpness matters.",
            "Go elsewhere only for a reason: wider for less light or a thin focus, narrower for depth.",
        )
    return _shutter_advice(limit, setting, subject) if kind == "shutter" else ("", "")


def _shutter_advice(limit: Mapping[str, Any], setting: str, subject: bool) -> tuple[str, str]:
    """Return what to do with a shutter limit; frames for one keeper: ln(1 - c) / ln(1 - p), rounded up."""
    where = "for this subject" if subject else "when you hold the camera this way"
    more = ""
    keep = number(mapping(limit.get("criterion")).get("keep"))
    if 0 < keep < 1:
        burst = math.ceil(math.log(1 - _WANTED_CHANCE) / math.log(1 - keep) - 1e-9)
        more = (
            f"There at least {wording.share(keep)} of single frames are sharp, and "
            f"{wording.count(burst, 'frame')} in a row give at least one sharp one in "
            f"{wording.share(_WANTED_CHANCE)} of cases. "
        )
    slower = "expect it to blur" if subject else "use a support, or raise ISO to stay faster"
    return f"What to do: set {setting} or faster {where}.", f"{more}Slower than that, {slower}."


def criterion_text(criterion: Mapping[str, Any]) -> str:
    """Return the criterion in words, 'SNR 10 at mid-grey, picture of 8 MP'."""
    parts = []
    for key, value in criterion.items():
        before, after = _CRITERION_WORDS.get(str(key), (f"{str(key).replace('_', ' ')} ", ""))
        shown = wording.share if key in ("keep", "mtf50_fraction") else wording.plain
        parts.append(f"{before}{shown(number(value))}{after}")
    return ", ".join(parts)


def flag_sentence(name: str) -> str:
    """Return a flag as 'text; advice', or its bare name where this version does not know it."""
    flag = flag_of(name)
    if flag is None:
        return name
    return f"{flag.text}; {flag.advice}" if flag.advice else flag.text


def reasons(run: Mapping[str, Any]) -> list[str]:
    """Return what is missing, one entry each, or why the run failed, line by line."""
    missing = texts(run.get("missing"))
    return list(missing) or [line.strip() for line in text(run.get("reason")).splitlines() if line.strip()]


def frame_troubles(frames: Sequence[FrameRow]) -> list[Trouble]:
    """Return what was wrong with frames, one entry per flag or reason: rejected, left out, doubts, notes.

    What was said about a rejected frame beyond its flag stands behind the flag's text, in brackets.
    """
    files: dict[tuple[str, str], list[str]] = {}
    roles = {frame.file: frame.role for frame in frames}
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


def next_shots(blur: Mapping[str, Any]) -> str:
    """Return what to shoot next to narrow the limit's interval as a sentence, empty where the run does not
    say.
    """
    shots = [
        f"{wording.count(round(frames), 'frame')} at {wording.shutter(shutter_s)}"
        for row in records(blur.get("next"))
        if (frames := number(row.get("frames"))) > 0 and (shutter_s := number(row.get("shutter_s"))) > 0
    ]
    if not shots:
        return ""
    return f"To narrow the interval most, shoot next: {wording.joined(shots)}."


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
