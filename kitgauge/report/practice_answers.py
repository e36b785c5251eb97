"""Answers to the questions of a practice series, worked out from the learner's own frames.

Each answer is a few plain sentences; what could not be measured is said to be unknown, with what to do about it.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from kitgauge.exposure import exact_f_number, exact_iso, exact_shutter_s
from kitgauge.report import wording
from kitgauge.report.data import number, records, text
from kitgauge.report.practice_choice_text import second_try, what_the_blur_says, why_the_plan_differs

Rows = Sequence[Mapping[str, Any]]

_CLEAR_STOPS = 0.15  # a difference in noise that is worth telling
_LEAST_MOVING_PX = 3.0
_CLOSE_ENOUGH, _LEAST_BOUND_PX = 2.0, 5.0  # of a bound on blur that was too small to measure


def answer(kind: str, practice: Mapping[str, Any]) -> list[str]:
    """Return the sentences that answer a question of this kind; none where only the eye can tell."""
    rows = records(practice.get("frames"))
    work = _ANSWERS.get(kind)
    if work is None:
        return []
    if not rows:
        return ["No frame was measured."]
    if len(rows) < 2 and kind != "why-the-plan-differs":
        return ["One frame alone shows no difference: shoot the series, then it can be answered."]
    return work(practice, rows)


def stops(value: float, places: int = 1) -> str:
    """Return '2.5 stops', '1 stop' without sign; unknown for NaN."""
    shown = wording.decimals(abs(value), places)
    if shown == wording.UNKNOWN:
        return shown
    shown = shown.removesuffix(".0")
    return f"{shown} stop" if shown == "1" else f"{shown} stops"


def times(value: float) -> str:
    """Return a number of stops as a factor in words: 'twice', '5.7 times'."""
    factor = 2.0**value
    return "twice" if abs(factor - 2.0) < 0.15 else f"{wording.plain(factor, 2)} times"


def setting_text(setting: str | None, row: Mapping[str, Any]) -> str:
    """Return the setting of a series as marked: '1/60 s', 'f/8', 'ISO 400'."""
    value = number(row.get(setting or ""))
    show = {"shutter_s": wording.shutter, "f_number": wording.f_number, "iso": wording.iso}.get(setting or "")
    return show(value) if show is not None else text(row.get("step"))


def between_stops(key: str, low: Mapping[str, Any], high: Mapping[str, Any]) -> float:
    """Return how many stops a setting differs between two frames (positive: `high` has the larger value)."""
    exact = {"shutter_s": exact_shutter_s, "iso": exact_iso, "f_number": exact_f_number}[key]
    a, b = number(low.get(key)), number(high.get(key))
    if not (a > 0 and b > 0):
        return math.nan
    return (2.0 if key == "f_number" else 1.0) * math.log2(exact(b) / exact(a))


def is_soft(row: Mapping[str, Any], sharp_px: float) -> bool | None:
    """Tell whether the still parts of a frame are blurred beyond what counts as sharp, None where not known."""
    if row.get("relative_to") == row.get("file") and row.get("relative_to"):
        return False
    bound = number(row.get("relative_bound_px"))
    if row.get("relative_censored") == "above":
        return True if bound >= sharp_px else None
    if row.get("relative_censored") == "below":
        return False if bound <= max(_CLOSE_ENOUGH * sharp_px, _LEAST_BOUND_PX) else None
    streak = number(row.get("relative_streak_px"))
    return streak > sharp_px if math.isfinite(streak) else None


def streak_text(row: Mapping[str, Any]) -> str:
    """Return the blur of a frame's still parts in words: 'about 12 px', 'under 2 px', 'unknown'."""
    if row.get("relative_to") and row.get("relative_to") == row.get("file"):
        return "the sharpest of the series"
    bound = number(row.get("relative_bound_px"))
    if row.get("relative_censored") in ("below", "above") and math.isfinite(bound):
        return f"{'under' if row['relative_censored'] == 'below' else 'over'} {wording.plain(bound, 2)} px"
    streak = number(row.get("relative_streak_px"))
    return f"about {wording.plain(streak, 2)} px" if math.isfinite(streak) else wording.UNKNOWN


def moving_px(row: Mapping[str, Any]) -> float:
    """Return how far the moving thing is smeared in a frame [px], at least; NaN where unknown."""
    over = number(row.get("moving_over_px"))
    return over if math.isfinite(over) else number(row.get("moving_streak_px"))


def moving_text(row: Mapping[str, Any]) -> str:
    """Return how far the moving thing is smeared in words: 'roughly 12 px', 'more than 26 px', 'unknown'."""
    if math.isfinite(over := number(row.get("moving_over_px"))):
        return f"more than {wording.plain(over, 2)} px"
    size = number(row.get("moving_streak_px"))
    if size == 0:
        return "clearest of the series"
    return f"roughly {wording.plain(size, 2)} px" if math.isfinite(size) else wording.UNKNOWN


def _where_blur_begins(practice: Mapping[str, Any], rows: Rows) -> list[str]:
    sharp_px = number(practice.get("sharp_px"))
    said = _moving_blur(practice, rows)
    known = [row for row in rows if is_soft(row, sharp_px) is not None]
    soft = [row for row in known if is_soft(row, sharp_px)]
    limit = f"{wording.plain(sharp_px, 2)} px"
    if not known:
        said.append(
            "How blurred the still things are could not be measured: the frames do not show enough of the same still "
            "detail. Look at the pictures of the still place."
        )
    elif not soft:
        said.append(f"The still things stay sharp in all frames that could be measured (blur up to {limit}).")
    else:
        first = min(soft, key=lambda row: number(row.get("shutter_s")))
        said.append(
            f"The still things are first soft at {setting_text('shutter_s', first)} ({text(first.get('file'))}): your "
            f"hands moved the picture by {streak_text(first)}. Up to {limit} it would pass for sharp in a picture that "
            "is looked at whole."
        )
    return said


def _moving_blur(practice: Mapping[str, Any], rows: Rows) -> list[str]:
    if practice.get("moves") is False:
        return [
            "Nothing was found that moves from frame to frame. Water from a tap hardly does: compare its texture in "
            "the pictures. Else let something cross the picture, and shoot again."
        ]
    if not any(math.isfinite(moving_px(row)) for row in rows):
        return ["The moving thing itself could not be measured: look at its pictures, from the fastest to the slowest."]
    first = movement_begins(rows, number(practice.get("sharp_px")))
    if first is None:
        return ["The moving thing is not clearly blurred in any frame: it was slow, or the speeds were fast."]
    return [
        f"The movement first shows at {setting_text('shutter_s', first)} ({text(first.get('file'))}): there the moving "
        f"thing is smeared over {moving_text(first)}, more than where it is clearest."
    ]


def movement_begins(rows: Rows, sharp_px: float) -> Mapping[str, Any] | None:
    """Return the most smeared frame of the fastest speed at which the movement shows, in this and all slower ones.

    It shows where the moving thing is smeared over clearly more than what counts as sharp (twice that, and 3 px at
    least: the measure is rough), by the middle one of the frames of each speed. None where it never does.
    """
    by_speed: dict[float, list[Mapping[str, Any]]] = {}
    for row in rows:
        if math.isfinite(moving_px(row)):
            by_speed.setdefault(number(row.get("shutter_s")), []).append(row)
    found: Mapping[str, Any] | None = None
    for speed in sorted(by_speed, reverse=True):
        if statistics.median(moving_px(row) for row in by_speed[speed]) < max(2.0 * sharp_px, _LEAST_MOVING_PX):
            break
        found = max(by_speed[speed], key=moving_px)
    return found


def _ends(rows: Rows, key: str) -> tuple[Mapping[str, Any], Mapping[str, Any]] | None:
    known = [row for row in rows if number(row.get(key)) > 0]
    if len(known) < 2:
        return None
    low = min(known, key=lambda row: number(row.get(key)))
    high = max(known, key=lambda row: number(row.get(key)))
    return (low, high) if number(low.get(key)) < number(high.get(key)) else None


def _noise_between(a: Mapping[str, Any], b: Mapping[str, Any]) -> float:
    """Return how much more noise `b` shows than `a` [stops]."""
    return number(b.get("noise_stops")) - number(a.get("noise_stops"))


def _noise_of_fast_frames(_practice: Mapping[str, Any], rows: Rows) -> list[str]:
    ends = _ends(rows, "shutter_s")
    if ends is None:
        return ["All frames have one shutter speed, so there is nothing to compare."]
    fast, slow = ends
    more = _noise_between(slow, fast)
    iso_stops = between_stops("iso", slow, fast)
    said = []
    if not math.isfinite(more):
        said.append("The noise could not be measured: no part of the scene is plain enough. Look at the darkest parts.")
    elif more > _CLEAR_STOPS:
        said.append(
            f"At {setting_text('shutter_s', fast)} the still parts are noisier than at "
            f"{setting_text('shutter_s', slow)}: {times(more)} as much noise ({stops(more)})."
        )
    else:
        said.append(f"The noise is about the same at {setting_text('shutter_s', fast)}.")
    if math.isfinite(iso_stops) and abs(iso_stops) >= 0.3:
        said.append(
            f"Less time lets less light in, and {stops(iso_stops)} more ISO made up for it "
            f"({setting_text('iso', slow)} to {setting_text('iso', fast)}): less light is what makes the noise."
        )
    return said


def _iso_for_speed(practice: Mapping[str, Any], rows: Rows) -> list[str]:
    ends = _ends(rows, "shutter_s")
    if ends is None:
        return ["All frames have one shutter speed, so there is nothing to compare."]
    fast, slow = ends
    sharp_px = number(practice.get("sharp_px"))
    first = movement_begins(rows, sharp_px)
    moves_from_s = math.inf if first is None else number(first.get("shutter_s"))
    frozen = [row for row in rows if is_soft(row, sharp_px) is False and number(row.get("shutter_s")) < moves_from_s]
    said = []
    if frozen:
        best = max(frozen, key=lambda row: number(row.get("shutter_s")))
        cost = between_stops("iso", slow, best)
        said.append(
            f"{setting_text('shutter_s', best)} is the slowest of your speeds at which all that could be measured is "
            f"still sharp. Against the slowest, {setting_text('shutter_s', slow)}, it cost "
            f"{stops(between_stops('shutter_s', best, slow))} of light; your ISO rose by {stops(cost)} for it."
        )
    whole = between_stops("shutter_s", fast, slow)
    said.append(
        f"From {setting_text('shutter_s', slow)} to {setting_text('shutter_s', fast)} are {stops(whole)}: as many "
        "stops of ISO, or of wider aperture, are needed to keep the picture as bright."
    )
    return said


def _where_depth_begins(practice: Mapping[str, Any], rows: Rows) -> list[str]:
    known = [row for row in rows if math.isfinite(number(row.get("sharp_share")))]
    if len(known) < 2:
        return ["What is sharp could not be measured: the frames do not show enough of the same detail."]
    low, high = known[0], known[-1]
    said = [
        f"At {setting_text('f_number', low)}, {wording.share(number(low.get('sharp_share')))} of the places with "
        f"detail are sharp; at {setting_text('f_number', high)}, {wording.share(number(high.get('sharp_share')))}."
    ]
    best = max(known, key=lambda row: number(row.get("sharp_share")))
    most = number(best.get("sharp_share"))
    if best not in (low, high) and most > number(high.get("sharp_share")) + 0.1:
        said.append(
            f"The most are sharp at {setting_text('f_number', best)}: {wording.share(most)}. Beyond it, light spreads "
            "at the small opening (diffraction), and all of the picture gets softer."
        )
    place = _place_text(practice, rows)
    if place:
        said.append(place)
    said.append(
        f"A place counts as sharp while a point is blurred to no more than "
        f"{wording.plain(number(practice.get('sharp_px')), 2)} px, for a picture that is looked at whole."
    )
    return said


def _place_text(practice: Mapping[str, Any], rows: Rows) -> str:
    """Return from which f-number on the place that was blurred at first is sharp."""
    discs = [(row, number(row.get("blurred_disc_px"))) for row in rows if "blurred_disc_px" in row]
    if not any(math.isfinite(disc) for _, disc in discs):
        return ""
    sharp = [row for row, disc in discs if disc <= number(practice.get("sharp_px"))]
    if sharp:
        return (
            "The place shown that was blurred at first is sharp from "
            f"{setting_text('f_number', min(sharp, key=lambda row: number(row.get('f_number'))))} on."
        )
    row, disc = [(r, d) for r, d in discs if math.isfinite(d)][-1]
    return (
        f"The place shown that was blurred at first is still blurred at {setting_text('f_number', row)}: a point is "
        f"{wording.plain(disc, 2)} px wide there."
    )


def _time_for_depth(_practice: Mapping[str, Any], rows: Rows) -> list[str]:
    ends = _ends(rows, "f_number")
    if ends is None:
        return ["All frames have one f-number (a phone's lens has only one), so there is nothing to compare."]
    low, high = ends
    lost = between_stops("f_number", low, high)
    longer = between_stops("shutter_s", low, high)
    said = [
        f"From {setting_text('f_number', low)} to {setting_text('f_number', high)} the lens lets {stops(lost)} less "
        f"light in; your shutter time changed by {stops(longer)}, from {setting_text('shutter_s', low)} to "
        f"{setting_text('shutter_s', high)}."
    ]
    iso = between_stops("iso", low, high)
    if math.isfinite(iso) and abs(iso) >= 0.3:
        said.append(f"Your ISO changed as well, by {stops(iso)}.")
    focal = number(low.get("focal_35mm"))
    limit_s = 1.0 / focal if focal > 0 else math.nan
    if math.isfinite(limit_s):
        too_slow = [row for row in rows if exact_shutter_s(number(row.get("shutter_s"))) > limit_s * 1.13]
        held = f"By the common rule of 1/(focal length), this lens is held by hand down to 1/{focal:.0f} s"
        if too_slow:
            first = min(too_slow, key=lambda row: number(row.get("f_number")))
            said.append(f"{held}: from {setting_text('f_number', first)} on you needed the tripod.")
        else:
            said.append(f"{held}: all of these frames could have been held.")
    return said


def _sharpest_in_focus(_practice: Mapping[str, Any], rows: Rows) -> list[str]:
    known = [(row, number(row.get("focus_detail_stops"))) for row in rows]
    known = [(row, value) for row, value in known if math.isfinite(value)]
    if len(known) < 2:
        return ["The place in focus could not be compared from frame to frame. Judge by eye."]
    best, most = max(known, key=lambda pair: pair[1])
    last, least = known[-1]
    said = [f"The thing in focus shows the most fine detail at {setting_text('f_number', best)}."]
    if last is not best and most - least > 0.1:
        said.append(
            f"At {setting_text('f_number', last)} its finest contrast is down to "
            f"{wording.share(2.0 ** (least - most))} of that: light spreads at a small opening "
            "(diffraction), so the highest f-number is not the sharpest."
        )
    else:
        said.append("The differences between the f-numbers near it are small.")
    return said


def _where_noise_shows(_practice: Mapping[str, Any], rows: Rows) -> list[str]:
    known = [
        (row, number(row.get("noise_light_share")), number(row.get("noise_dark_share")))
        for row in rows
        if number(row.get("noise_light_share")) > 0 and number(row.get("noise_dark_share")) > 0
    ]
    if not known:
        return ["The noise could not be measured: no part of the scene is plain enough, both light and dark."]
    row, light, dark = known[len(known) // 2]
    ratio = math.log2(dark / light)
    where = "dark" if ratio > 0 else "light"
    said = (
        f"In the {where} parts: at {setting_text('iso', row)} the noise there, compared with their own brightness, is "
        f"{times(abs(ratio))} that of the {'light' if where == 'dark' else 'dark'} parts."
    )
    why = " They get the least light, and light itself arrives unevenly." if where == "dark" else ""
    return [said + why]


def _how_much_noise(_practice: Mapping[str, Any], rows: Rows) -> list[str]:
    known = [(row, number(row.get("noise_stops"))) for row in rows if math.isfinite(number(row.get("noise_stops")))]
    if len(known) < 2:
        return ["The noise could not be measured: no part of the scene is plain enough. Judge by eye."]
    first, last = known[0][0], known[-1][0]
    said = [
        "What you would still show is yours to judge. Measured in plain parts of your scene: "
        f"{setting_text('iso', last)} has {times(known[-1][1])} the noise of {setting_text('iso', first)} "
        f"({stops(known[-1][1])})."
    ]
    doubled = [row for row, value in known if value >= 0.9]
    if doubled:
        said.append(f"It has doubled by {setting_text('iso', doubled[0])}.")
    said.append(
        "Shown at half its width, a picture has half the noise: the highest ISO for a small picture lies about two "
        "stops above that for a large one."
    )
    return said


def _speed_for_iso(_practice: Mapping[str, Any], rows: Rows) -> list[str]:
    ends = _ends(rows, "iso")
    if ends is None:
        return ["All frames have one ISO, so there is nothing to compare."]
    low, high = ends
    faster = -between_stops("shutter_s", low, high)
    said = [
        f"From {setting_text('iso', low)} to {setting_text('iso', high)} are {stops(between_stops('iso', low, high))}; "
        f"your shutter speed became {stops(faster)} faster, from {setting_text('shutter_s', low)} to "
        f"{setting_text('shutter_s', high)}."
    ]
    brighter = number(high.get("brightness_stops")) - number(low.get("brightness_stops"))
    if math.isfinite(brighter) and abs(brighter) > 0.3:
        said.append(
            f"The picture became {stops(brighter)} {'brighter' if brighter > 0 else 'darker'} meanwhile: the two did "
            "not change by the same number of stops, or the light changed."
        )
    return said


_ANSWERS: dict[str, Callable[[Mapping[str, Any], Rows], list[str]]] = {
    "where-blur-begins": _where_blur_begins,
    "noise-of-fast-frames": _noise_of_fast_frames,
    "iso-for-speed": _iso_for_speed,
    "where-depth-begins": _where_depth_begins,
    "time-for-depth": _time_for_depth,
    "sharpest-in-focus": _sharpest_in_focus,
    "where-noise-shows": _where_noise_shows,
    "how-much-noise": _how_much_noise,
    "speed-for-iso": _speed_for_iso,
    "why-the-plan-differs": why_the_plan_differs,
    "what-the-blur-says": what_the_blur_says,
    "second-try": second_try,
}
