"""The whole choice in words: the learner's settings beside the planner's, and whether the correction came closer."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from kitgauge.report import wording
from kitgauge.report.data import mapping, number, records, text

Rows = Sequence[Mapping[str, Any]]

_SAME_STOPS = 0.34  # a third of a stop is one click of the dial
_PRACTICE = "common practice"


def exercise_heading(exercise: Mapping[str, Any]) -> str:
    """Return what an exercise was about: 'A moving subject at 3 m (folder moving 3m)'."""
    folder = text(exercise.get("folder")) or "no folder"
    subject = text(exercise.get("subject"))
    if not subject:
        return f"Folder {folder}"
    near, far = number(exercise.get("near_m")), number(exercise.get("far_m"))
    place = ""
    if math.isfinite(near):
        place = f" at {wording.plain(near, 3)} m" if near == far else (
            f" from {wording.plain(near, 3)} to {wording.plain(far, 3)} m"
        )  # fmt: skip
    held = ", on a tripod" if exercise.get("tripod") else ""
    return f"A {subject} subject{place}{held} (folder {folder})"


def why_the_plan_differs(exercise: Mapping[str, Any], rows: Rows) -> list[str]:
    """Return the planner's settings, and what the first try does differently, each by how many stops and why."""
    plan = mapping(exercise.get("plan"))
    if not plan:
        return [f"There is nothing to compare with: {text(exercise.get('reason')) or 'no plan was made'}."]
    settings = mapping(plan.get("settings"))
    chosen = (
        f"{wording.shutter(number(settings.get('shutter_s')))}, {wording.f_number(number(settings.get('f_number')))}, "
        f"{wording.iso(number(settings.get('iso')))}"
    )
    light = (
        f"EV {wording.decimals(number(exercise.get('light_ev100')), 1)}, as {text(exercise.get('light_from'))} shows it"
    )
    said = [f"Worked out from the light ({light}): {chosen}."]
    if exercise.get("light_clipped"):
        said.append(
            "That frame is clipped in part: there was more light than it shows, and the plan is too slow by that."
        )
    first = rows[0]
    stops_of = mapping(mapping(exercise.get("tries")).get(text(first.get("file"))))
    if not stops_of:
        return [*said, "The first try does not tell all of its settings, so its difference is not known."]
    reasons = mapping(plan.get("reasons"))
    fixed = bool(exercise.get("fixed_aperture"))
    same = []
    for key, row_key, higher, lower, name in (
        ("shutter_stops", "shutter_s", "slower", "faster", "shutter speed"),
        ("aperture_stops", "f_number", "less light through the lens", "more light through the lens", "f-number"),
        ("iso_stops", "iso", "higher", "lower", "ISO"),
    ):
        difference = number(stops_of.get(key))
        if row_key == "f_number" and fixed:
            continue
        if not math.isfinite(difference) or abs(difference) < _SAME_STOPS:
            same.append(name)
            continue
        show = {"shutter_s": wording.shutter, "f_number": wording.f_number, "iso": wording.iso}[row_key]
        way = higher if difference > 0 else lower
        amount = _stops(difference)
        between = f"{amount} {way}" if row_key != "f_number" else f"{amount} of {way}"
        said.append(f"Your {show(number(first.get(row_key)))}: {between}. The plan: {_sentence(reasons.get(row_key))}")
    if same:
        said.append(f"As in the plan, to a third of a stop: {wording.joined(same)}.")
    if fixed:
        said.append(
            "The frames look like those of a phone, whose lens has one f-number: there was no aperture to choose."
        )
    meter = number(stops_of.get("brightness_stops_from_meter"))
    if math.isfinite(meter) and abs(meter) > 0.5:
        said.append(
            f"Your picture is {_stops(meter)} {'brighter' if meter > 0 else 'darker'} on the whole than a light meter "
            "would make it; that is right if the subject is meant to be so light or dark."
        )
    if any(basis == _PRACTICE for basis in mapping(plan.get("basis")).values()):
        said.append("What was not measured of your hands, lens and body is taken from common practice.")
    return said


def what_the_blur_says(exercise: Mapping[str, Any], rows: Rows) -> list[str]:
    """Return what the last try shows against the first: blur, noise and brightness, and the settings that it cost."""
    first, last = rows[0], rows[-1]
    if last.get("laid_on_others") is False:
        return [
            "The two frames do not show the same picture, so they cannot be compared. Frame the second like the first."
        ]
    said = [*_blur(first, last, number(exercise.get("sharp_px")))]
    noise = number(last.get("noise_stops")) - number(first.get("noise_stops"))
    if not math.isfinite(noise):
        said.append("The noise could not be compared: no part of the scene is plain enough.")
    elif abs(noise) < 0.2:
        said.append("The noise is about the same.")
    else:
        said.append(f"The second try has {_stops(noise)} {'more' if noise > 0 else 'less'} noise.")
    brighter = number(last.get("brightness_stops")) - number(first.get("brightness_stops"))
    if math.isfinite(brighter) and abs(brighter) >= 0.3:
        said.append(f"It is {_stops(brighter)} {'brighter' if brighter > 0 else 'darker'}.")
    tries = mapping(exercise.get("tries"))
    a, b = (mapping(tries.get(text(row.get("file")))) for row in (first, last))
    changed = []
    for key, more, less in (
        ("shutter_stops", "slower", "faster"),
        ("aperture_stops", "less light through the lens", "more light through the lens"),
        ("iso_stops", "more ISO", "less ISO"),
    ):
        difference = number(b.get(key)) - number(a.get(key))
        if math.isfinite(difference) and abs(difference) >= 0.2:
            joiner = " of " if key != "shutter_stops" else " "
            changed.append(f"{_stops(difference)}{joiner}{more if difference > 0 else less}")
    if changed:
        said.append(f"What you changed: {wording.joined(changed)}.")
    elif a and b:
        said.append("The settings are the same in both.")
    return said


def _blur(first: Mapping[str, Any], last: Mapping[str, Any], sharp_px: float) -> list[str]:
    sharpest = text(first.get("relative_to"))
    if not sharpest:
        return [
            "The blur of the two could not be compared: they do not show enough of the same still detail. Compare the "
            "enlarged parts by eye."
        ]
    other, better = (last, "first") if sharpest == text(first.get("file")) else (first, "second")
    worse = "second" if better == "first" else "first"
    streak, bound = number(other.get("relative_streak_px")), number(other.get("relative_bound_px"))
    if other.get("relative_censored") == "below":
        return [f"Both tries are about equally sharp in what stands still (to {wording.plain(bound, 2)} px)."]
    size = f"more than {wording.plain(bound, 2)} px" if other.get("relative_censored") == "above" else (
        f"about {wording.plain(streak, 2)} px"
    )  # fmt: skip
    if other.get("relative_censored") != "above" and not math.isfinite(streak):
        return ["The blur could not be compared: too much of the scene moved, or changed."]
    told = f"The {better} try is the sharper one in what stands still: the {worse} is blurred by {size} more."
    a, b = number(first.get("f_number")), number(last.get("f_number"))
    if a > 0 and b > 0 and abs(2.0 * math.log2(a / b)) > _SAME_STOPS:
        told += " The f-number changed as well: two frames cannot tell movement of the camera from less depth."
    if math.isfinite(streak) and streak <= sharp_px:
        told += f" Up to {wording.plain(sharp_px, 2)} px, that would still pass for sharp."
    return [told]


def second_try(exercise: Mapping[str, Any], rows: Rows) -> list[str]:
    """Return how far each try is from the plan, and whether the last one came closer."""
    if not exercise.get("plan"):
        return [f"There is nothing to compare with: {text(exercise.get('reason')) or 'no plan was made'}."]
    tries = mapping(exercise.get("tries"))
    away = [number(mapping(tries.get(text(row.get("file")))).get("away_stops")) for row in (rows[0], rows[-1])]
    if not all(math.isfinite(value) for value in away):
        return ["Not known: the frames do not tell all of their settings."]
    first, last = away
    gain = first - last
    verdict = (
        "came closer" if gain >= _SAME_STOPS else "moved away" if gain <= -_SAME_STOPS else "is as near as the first"
    )
    by = "" if abs(gain) < _SAME_STOPS else f" by {_stops(gain)}"
    said = [
        f"Adding up the differences in shutter speed, aperture and ISO, the first try is {_stops(first)} from the plan "
        f"and the second {_stops(last)}: your correction {verdict}{by}."
    ]
    if last >= _SAME_STOPS:
        said.append(
            "Nearer is not always better: the plan keeps what was named still or moving sharp at the least noise. If "
            "you wanted the blur, or less depth, your choice may be the better one."
        )
    return said


def comparison_lines(practice: Mapping[str, Any]) -> list[str]:
    """Return two lines per exercise for the terminal: what the plan was, and how far the tries are from it."""
    lines = []
    for exercise in records(practice.get("exercises")):
        rows = records(exercise.get("frames"))
        lines.append(f"{exercise_heading(exercise)}:")
        if not exercise.get("plan"):
            lines.append(f"  nothing to compare with: {text(exercise.get('reason'))}")
            continue
        lines += [f"  {sentence}" for sentence in why_the_plan_differs(exercise, rows)[:1]]
        lines += [f"  {sentence}" for sentence in second_try(exercise, rows)[:1]] if len(rows) > 1 else [
            "  There is no second try yet."
        ]  # fmt: skip
    return lines


def _stops(value: float) -> str:
    shown = wording.decimals(abs(value), 1).removesuffix(".0")
    return f"{shown} stop" if shown == "1" else f"{shown} stops"


def _sentence(reason: object) -> str:
    said = text(reason)
    return said if said.endswith(".") else f"{said}."
