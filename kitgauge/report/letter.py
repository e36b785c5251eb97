"""The opening of the report: the limits in a sentence each with what to do."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from kitgauge.report import wording
from kitgauge.report.data import RunData, flag_of, mapping, number, records, text, texts
from kitgauge.report.regions import corner_share

_WANTED_CHANCE = 0.95
_CRITERION_WORDS = {  # what stands before and after the value
    "snr": ("SNR ", " at mid-grey"),
    "output_mp": ("picture of ", " MP"),
    "shadow_stops": ("a shadow ", " stops below mid-grey"),
    "shadow_snr": ("SNR ", " in that shadow"),
    "print_long_side_cm": ("print of ", " cm on its long side"),
    "viewing_distance_cm": ("seen from ", " cm"),
    "streak_px": ("streaks of at most ", " px"),
    "streak_um_35mm": ("", " µm on a frame of 36 x 24 mm"),
    "keep": ("", " of frames"),
    "mtf50_fraction": ("at least ", " of the best MTF50"),
    "picture_mtf": ("MTF of ", " at the picture's finest detail"),
    "focus_loss": ("less than ", " of MTF50 lost to focusing"),
}


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
        if limit.get("region") == "whole frame" and "picture_mtf" not in mapping(limit.get("criterion")):
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
                doubts=tuple(said for name in _doubted(limit) if (said := once(flag_sentence(name)))),
            )
        )
    return found


def _doubted(limit: Mapping[str, Any]) -> list[str]:
    """Return the flags of a limit that its text has not dealt with: an interval that allows for unknown read noise."""
    allowed = {"no-dark"} if "ead noise was not measured" in text(limit.get("text")) else set()
    return [name for name in texts(limit.get("flags")) if name not in allowed]


def sets_limits(data: RunData) -> bool:
    """Tell whether a run of this kind sets limits."""
    through_focus = bool(data.part("sharpness").get("bracket"))  # tells of the lens and sets no limit
    return data.run.get("measures") not in ("dark-current", "practice") and not through_focus


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
    if kind == "focus":
        value = number(limit.get(f"f_number{suffix}"))
        return wording.f_number(value) if suffix else f"f/{wording.plain(value, 3)}"
    if kind == "f_number":
        low, high = (number(limit.get(f"f_number_{end}{suffix}")) for end in ("low", "high"))
        if suffix:
            return wording.f_number(low) if low == high else f"{wording.f_number(low)} to {wording.f_number(high)}"
        return f"f/{wording.plain(low, 3)} to f/{wording.plain(high, 3)}"
    return wording.UNKNOWN


def _heading(limit: Mapping[str, Any]) -> str:
    names = {
        "iso": "Highest ISO",
        "shutter": "Slowest shutter speed",
        "f_number": "Sharp f-numbers",
        "focus": "Focusing",
    }
    if "picture_mtf" in mapping(limit.get("criterion")):
        names["f_number"] = "F-numbers for the picture"
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
    if kind in ("f_number", "focus"):
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
    if low == high:
        return ""
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
    if kind == "f_number" and "picture_mtf" in mapping(limit.get("criterion")):
        return f"What to do: for such a picture any of {setting} will do.", ""
    if kind == "f_number":
        return (
            f"What to do: {'stay within' if ' to ' in setting else 'use'} {setting} when sharpness matters.",
            "Go elsewhere only for a reason: wider for less light or a thin focus, narrower for depth.",
        )
    if kind == "focus" and "range-open" in texts(limit.get("flags")):
        return "What to do: trust your focusing at every f-number measured.", ""
    if kind == "focus":
        return (
            f"What to do: at f-numbers below {setting} shoot several frames and focus again for each.",
            "A focused frame is a matter of luck there; so is the sharpness of a single test frame.",
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
    known = {key: criterion[key] for key in _CRITERION_WORDS if key in criterion}  # in an order that reads
    for key, value in {**known, **criterion}.items():
        before, after = _CRITERION_WORDS.get(str(key), (f"{str(key).replace('_', ' ')} ", ""))
        shown = wording.share if key in ("keep", "mtf50_fraction", "focus_loss") else wording.plain
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


def rule_sentence(blur: Mapping[str, Any]) -> str:
    """Return the 1/focal-length rule beside the measured limit in words, empty where the run does not say."""
    return text(mapping(blur.get("rule")).get("text"))


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
