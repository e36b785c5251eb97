"""The opening of the report: the limits in a sentence each with what to do, then the frames that did not serve."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from kitgauge.flags import Severity
from kitgauge.limits.criteria import EXPLANATIONS
from kitgauge.report import wording
from kitgauge.report.data import FRAME_STATUSES, FrameRow, RunData, flag_of, mapping, number, records, text, texts

_WANTED_CHANCE = 0.95


@dataclass(frozen=True)
class LimitText:
    """One limit as a paragraph."""

    heading: str
    sentence: str
    interval: str
    advice: str
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


@dataclass(frozen=True)
class Reshoot:
    """One step that lacks frames."""

    step: str
    text: str


def limit_texts(limits: Iterable[Mapping[str, Any]]) -> list[LimitText]:
    """Return every limit as a paragraph, in file order."""
    return [
        LimitText(
            heading=_heading(limit),
            sentence=text(limit.get("text")) or _plain_sentence(limit),
            interval="" if "interval" in text(limit.get("text")) else _interval(limit),
            advice=_advice(limit),
            criterion=criterion_text(mapping(limit.get("criterion"))),
            doubts=tuple(flag_sentence(name) for name in texts(limit.get("flags"))),
        )
        for limit in limits
    ]


def setting_text(limit: Mapping[str, Any], suffix: str = "_dial") -> str:
    """Return the setting of a limit for use, 'ISO 3200', '1/60 s', 'f/2.8 to f/8'; suffix "" for the exact one."""
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
    return f"{', '.join(parts)}: {'at least ' if limit.get('at_least') else ''}{setting_text(limit)}"


def _plain_sentence(limit: Mapping[str, Any]) -> str:
    return f"By your criterion the limit is {setting_text(limit, '')}, {setting_text(limit)} on the dial."


def interval_ends(limit: Mapping[str, Any]) -> tuple[str, str]:
    """Return the ends of a limit's 95 % interval as text, 'not estimated' where unknown."""
    low, high = number(limit.get("ci_low")), number(limit.get("ci_high"))
    kind = limit.get("kind")
    if kind == "shutter":  # the faster time is the shorter one
        show = wording.exact_shutter
    elif kind == "f_number":
        def show(value: float) -> str:
            return f"f/{wording.plain(value, 3)}"
    else:
        def show(value: float) -> str:
            return f"ISO {wording.plain(value, 3)}" if kind == "iso" else wording.plain(value, 3)
    return tuple(show(v) if math.isfinite(v) else wording.NOT_ESTIMATED for v in (low, high))  # type: ignore[return-value]


def _interval(limit: Mapping[str, Any]) -> str:
    low, high = number(limit.get("ci_low")), number(limit.get("ci_high"))
    first, second = interval_ends(limit)
    if not math.isfinite(low) and not math.isfinite(high):
        return "How sure this is was not estimated."
    if not (math.isfinite(low) and math.isfinite(high)):
        known = f"no lower than {first}" if math.isfinite(low) else f"no higher than {second}"
        return f"With 95 % confidence it is {known}; the other end was not estimated."
    stops = abs(math.log2(high / low)) * (2 if limit.get("kind") == "f_number" else 1) if low > 0 else math.nan
    width = (
        f", {stops:.2f} stops wide" if math.isfinite(stops) and limit.get("kind") != "f_number" else ""
    )
    return f"The 95 % interval is {first} to {second}{width}."


def _advice(limit: Mapping[str, Any]) -> str:
    kind = limit.get("kind")
    setting = setting_text(limit)
    if wording.UNKNOWN in setting or "criterion-not-met" in texts(limit.get("flags")):
        return ""
    if kind == "iso":
        return (
            f"What to do: make {setting} the ceiling of automatic ISO. When the light asks for more, open the "
            "aperture, slow the shutter or add light before going higher; a smaller picture also tolerates more."
        )
    if kind == "f_number":
        return (
            f"What to do: {'use' if ' to ' not in setting else 'stay within'} {setting} when sharpness matters most. Leave the range only for a reason: wider "
            "for less light or a thin focus, narrower for depth."
        )
    if kind == "shutter":
        advice = f"What to do: set {setting} or faster when you hold the camera this way."
        keep = number(mapping(limit.get("criterion")).get("keep"))
        if 0 < keep < 1:
            burst = math.ceil(math.log(1 - _WANTED_CHANCE) / math.log(1 - keep) - 1e-9)
            advice += (
                f" There at least {wording.share(keep)} of single frames are sharp, and "
                f"{wording.count(burst, 'frame')} in a row give at least one sharp one in {wording.share(_WANTED_CHANCE)} "
                "of cases. Slower than that, brace yourself, use a support, or raise ISO."
            )
        return advice
    return ""


def criterion_text(criterion: Mapping[str, Any]) -> str:
    """Return the criterion in words: each key with its value and what it means."""
    units = {"output_mp": " megapixels", "streak_px": " px"}
    parts = []
    for key, value in criterion.items():
        shown = wording.plain(number(value), 4)
        if key in ("keep", "mtf50_fraction"):
            shown = wording.share(number(value))
        meaning = f" ({EXPLANATIONS[key]})" if key in EXPLANATIONS else ""
        parts.append(f"{key} {shown}{units.get(key, '')}{meaning}")
    return "; ".join(parts)


def flag_sentence(name: str) -> str:
    """Return a flag as 'text; advice', or its bare name where this version does not know it."""
    flag = flag_of(name)
    if flag is None:
        return name
    return f"{flag.text}; {flag.advice}" if flag.advice else flag.text


def reasons(run: Mapping[str, Any]) -> list[str]:
    """Return what the run says is missing or went wrong, one entry each (they are kept joined by semicolons)."""
    if text(run.get("status")) == "failed":  # the message of one error, which may hold semicolons of its own
        return [line.strip() for line in text(run.get("reason")).splitlines() if line.strip()]
    return [piece.strip() for piece in text(run.get("reason")).split(";") if piece.strip()]


def frame_troubles(frames: Sequence[FrameRow]) -> list[Trouble]:
    """Return what was wrong with frames, worst first: rejected, unmatched, doubts, notes; one entry per reason."""
    groups: dict[tuple[str, str, str, str], list[str]] = {}

    def add(severity: str, name: str, said: str, advice: str, file: str) -> None:
        files = groups.setdefault((severity, name, said, advice), [])
        if file not in files:
            files.append(file)

    for frame in frames:
        for name in frame.flags:
            flag = flag_of(name)
            if flag is None:
                continue
            severity = {Severity.REJECT: "rejected", Severity.DOUBT: "doubt", Severity.NOTE: "note"}[flag.severity]
            if severity == "rejected" and frame.status != "rejected":
                severity = "doubt"
            add(severity, name, flag.text, flag.advice, frame.file)
        flag_texts = {flag.text for name in frame.flags if (flag := flag_of(name))}
        for remark in frame.remarks:
            if remark not in flag_texts:
                severity = frame.status if frame.status in ("rejected", "unmatched") else "note"
                add(severity, "", remark, "", frame.file)
        if frame.status in ("rejected", "unmatched") and not frame.flags and not frame.remarks:
            add(frame.status, "", "no reason was recorded", "", frame.file)
    order = {"rejected": 0, "unmatched": 1, "doubt": 2, "note": 3}
    found = [
        Trouble(name, said, advice, severity, len(files), wording.listing(files, 4))
        for (severity, name, said, advice), files in groups.items()
    ]
    return sorted(found, key=lambda item: (order.get(item.severity, 9), -item.count))


def reshoot_list(data: RunData) -> list[Reshoot]:
    """Return the steps to shoot again: those with rejected frames, with what to change."""
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
        advices = [flag.advice for f in lost for name in f.flags if (flag := flag_of(name)) and flag.advice]
        fix = "; ".join(dict.fromkeys(advices))
        found.append(
            Reshoot(
                step,
                f"{wording.count(len(lost), 'frame')} rejected, {used} used"
                + (f". {fix[0].upper()}{fix[1:]}." if fix else "."),
            )
        )
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
    said_before = {(frame.file, name) for frame in data.frames for name in frame.flags}
    for frame in records(data.part("blur").get("frames")):
        for name in texts(frame.get("flags")):
            if (text(frame.get("file")), name) in said_before:
                continue
            files = groups.setdefault(name, [])
            if text(frame.get("file")) not in files:
                files.append(text(frame.get("file")))
    troubles = []
    for name, places in groups.items():
        flag = flag_of(name)
        severity = "note" if flag is not None and flag.severity is Severity.NOTE else "doubt"
        said, advice = (flag.text, flag.advice) if flag is not None else (name, "")
        troubles.append(Trouble(name, said, advice, severity, len(places), wording.listing(places, 4)))
    return sorted(troubles, key=lambda item: (item.severity != "doubt", -item.count))


def next_shots(blur: Mapping[str, Any]) -> str:
    """Return what to shoot next to narrow the limit's interval as a sentence, empty where the run does not say."""
    shots = [
        f"{wording.count(round(frames), 'frame')} at {wording.shutter(shutter_s)}"
        for row in records(blur.get("next"))
        if (frames := number(row.get("frames"))) > 0 and (shutter_s := number(row.get("shutter_s"))) > 0
    ]
    if not shots:
        return ""
    return f"To narrow the interval most, shoot next: {' and '.join([', '.join(shots[:-1]), shots[-1]][len(shots) < 2 :])}."


def frames_sentence(data: RunData) -> str:
    """Return how many frames were used and how many were not."""
    total = len(data.frames)
    if total == 0:
        return "No frame is recorded."
    counts = {status: sum(1 for f in data.frames if f.status == status) for status in FRAME_STATUSES}
    if counts["used"] == total:
        return f"All {total} frames were used." if total > 1 else "The one frame was used."
    lost = [f"{counts[s]} {said}" for s, said in (("rejected", "rejected"), ("unmatched", "left out")) if counts[s]]
    others = total - sum(counts.values())
    if others:
        lost.append(f"{others} of unknown state")
    return f"Of {wording.count(total, 'frame')}, {counts['used'] or 'none'} used, {' and '.join(lost)}."


def files_left_out(run: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return (why, file names) of the files in the folder that are no frames at all."""
    groups: dict[str, list[str]] = {}
    for file, why in mapping(run.get("not_frames")).items():
        groups.setdefault(text(why) or "not a frame", []).append(str(file))
    return [(why, wording.listing(files, 4)) for why, files in groups.items()]
