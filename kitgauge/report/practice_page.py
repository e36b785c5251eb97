"""What the page of a practice run shows: the learner's frames side by side, questions, and the answers behind them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from kitgauge.report import wording
from kitgauge.report.data import RunData, number, records, text
from kitgauge.report.evidence import Table
from kitgauge.report.practice_answers import answer, between_stops, moving_text, setting_text, stops, streak_text
from kitgauge.report.practice_choice_text import exercise_heading
from kitgauge.report.practice_pictures import Picture, picture_of

_PLACES = {
    "moving": ("What moves", "where the frames differ most from each other"),
    "still": ("What stands still", "the same still place in every frame"),
    "focus": ("What is in focus", "the place with the finest detail of those that are sharp at the lowest f-number"),
    "blurred": ("What is out of focus at first", "a place that is blurred at the lowest f-number"),
    "detail": ("Fine detail", "the place with the finest detail"),
    "dark": ("A dark part", "a dark part of the scene"),
}
_SHARP = "s"


@dataclass(frozen=True)
class Box:
    """A rectangle over a picture, in per cent of its width and height."""

    left: float
    top: float
    width: float
    height: float


@dataclass(frozen=True)
class Shown:
    """One picture with what stands under it; `boxes` are drawn over it."""

    picture: Picture
    alt: str
    heading: str
    lines: tuple[str, ...]
    boxes: tuple[Box, ...] = ()


@dataclass(frozen=True)
class Strip:
    """Pictures of one thing side by side."""

    heading: str
    note: str
    pictures: tuple[Shown, ...]


@dataclass(frozen=True)
class Question:
    """A question, and what is worked out from the frames to answer it (none: only the eye can tell)."""

    text: str
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class SeriesPage:
    """Everything that the page shows of one series."""

    heading: str
    whole: Strip | None
    strips: tuple[Strip, ...]
    questions: tuple[Question, ...]
    changes: tuple[str, ...]
    maps: Strip | None
    table: Table
    notes: tuple[str, ...]


def practice_pages(data: RunData) -> list[SeriesPage]:
    """Return what the page shows of each series of a practice run; none of another kind of run."""
    practice = data.part("practice")
    questions = records(practice.get("questions"))
    if "exercises" in practice:
        return [
            _series_page(data.folder, None, exercise, questions, exercise_heading(exercise))
            for exercise in records(practice.get("exercises"))
        ]
    if not records(practice.get("frames")) or "places" not in practice:
        return []
    setting = text(practice.get("setting"))
    known = setting if setting in ("shutter_s", "f_number", "iso") else None
    return [_series_page(data.folder, known, practice, questions, "")]


def _series_page(
    folder: Path,
    setting: str | None,
    practice: Mapping[str, Any],
    questions: Sequence[Mapping[str, Any]],
    heading: str,
) -> SeriesPage:
    rows = records(practice.get("frames"))
    return SeriesPage(
        heading=heading,
        whole=_whole(folder, setting, rows),
        strips=tuple(_strips(folder, setting, practice, rows)),
        questions=tuple(
            Question(text(q.get("text")), tuple(answer(text(q.get("answer")), practice))) for q in questions
        ),
        changes=tuple(changes(setting, rows)),
        maps=_maps(folder, setting, practice, rows),
        table=numbers_table(setting, rows),
        notes=tuple(_notes(practice, rows)),
    )


def _lines(setting: str | None, row: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the settings of a frame but for the one that stands in the heading."""
    shown = {
        "shutter_s": wording.shutter(number(row.get("shutter_s"))),
        "f_number": wording.f_number(number(row.get("f_number"))),
        "iso": wording.iso(number(row.get("iso"))),
    }
    missing = {"f_number": "f-number not recorded", "shutter_s": "time not recorded", "iso": "ISO not recorded"}
    return tuple(missing[key] if value == wording.UNKNOWN else value for key, value in shown.items() if key != setting)


def _whole(folder: Path, setting: str | None, rows: Sequence[Mapping[str, Any]]) -> Strip | None:
    shown = []
    for row in rows:
        pictures = _mapping(row.get("pictures"))
        picture = picture_of(folder, _mapping(pictures.get("whole")))
        if picture is None:
            continue
        boxes = tuple(box for part in records(pictures.get("parts")) if (box := _box(part.get("box"))) is not None)
        heading = setting_text(setting, row)
        alt = f"Whole frame {text(row.get('file'))} at {heading}"
        shown.append(Shown(picture, alt, heading, (*_lines(setting, row), text(row.get("file"))), boxes))
    if not shown:
        return None
    note = "The whole frames, reduced. The outlined parts stand below, enlarged."
    if len(shown) < len(rows):
        note += f" Of {len(rows)} frames {len(shown)} are shown; the table below has all of them."
    return Strip("The whole frames", note, tuple(shown))


def _strips(
    folder: Path, setting: str | None, practice: Mapping[str, Any], rows: Sequence[Mapping[str, Any]]
) -> list[Strip]:
    places = [text(place) for place in practice.get("places") or []]
    found = []
    for name in places:
        shown = []
        for row in rows:
            parts = records(_mapping(row.get("pictures")).get("parts"))
            part = next((part for part in parts if part.get("place") == name), None)
            picture = None if part is None else picture_of(folder, part)
            if picture is None:
                continue
            heading = setting_text(setting, row)
            lines = _lines(setting, row)
            if row.get("laid_on_others") is False:
                lines = (*lines, "not the same place: this frame could not be lined up with the others")
            title = _PLACES.get(name, (name, name))[0]
            shown.append(Shown(picture, f"{title} at {heading}, {text(row.get('file'))}", heading, lines))
        if shown:
            title, what = _PLACES.get(name, (name, name))
            note = f"At 100 %, one pixel of the frame for one of the screen: {what}."
            found.append(Strip(title, note, tuple(shown)))
    return found


def _maps(
    folder: Path, setting: str | None, practice: Mapping[str, Any], rows: Sequence[Mapping[str, Any]]
) -> Strip | None:
    """Return the whole frames with the sharp tiles outlined, None where depth was not measured."""
    grid = practice.get("grid")
    if not (isinstance(grid, list) and len(grid) == 2 and all(isinstance(n, int) and 0 < n <= 60 for n in grid)):
        return None
    tall, wide = grid
    shown = []
    for row in rows:
        states = text(row.get("depth_map"))
        picture = picture_of(folder, _mapping(_mapping(row.get("pictures")).get("whole")))
        if picture is None or len(states) != tall * wide:
            continue
        turned = (picture.width_px > picture.height_px) != (wide > tall)
        boxes = () if turned else tuple(_tile_box(k, tall, wide) for k, state in enumerate(states) if state == _SHARP)
        share = wording.share(number(row.get("sharp_share")))
        heading = setting_text(setting, row)
        alt = f"Frame {text(row.get('file'))} at {heading}: {share} of the places with detail are sharp"
        shown.append(Shown(picture, alt, heading, (f"{share} sharp",), boxes))
    if not any(one.boxes for one in shown):
        return None
    note = (
        "Outlined: places whose detail is sharp. Places without outline are blurred, or show no detail to judge by "
        "(plain walls, sky)."
    )
    return Strip("What is sharp", note, tuple(shown))


def _tile_box(index: int, tall: int, wide: int) -> Box:
    row, column = divmod(index, wide)
    return Box(100 * column / wide, 100 * row / tall, 100 / wide, 100 / tall)


def _box(value: object) -> Box | None:
    if not (isinstance(value, list) and len(value) == 4):
        return None
    left, top, right, bottom = (number(part) for part in value)
    if not all(math.isfinite(part) and 0 <= part <= 1 for part in (left, top, right, bottom)):
        return None
    return Box(100 * left, 100 * top, 100 * (right - left), 100 * (bottom - top))


def _mapping(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def changes(setting: str | None, rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return what changed from the first frame of a series to the last, what was gained, and what it cost."""
    if setting is None or len(rows) < 2:
        return []
    known = [row for row in rows if row.get("laid_on_others") is not False] or list(rows)
    first, last = known[0], known[-1]
    if first is last:
        return []
    said = [_settings_sentence(setting, first, last)]
    brighter = number(last.get("brightness_stops")) - number(first.get("brightness_stops"))
    if math.isfinite(brighter):
        said.append(
            "The pictures are about equally bright."
            if abs(brighter) < 0.3
            else f"The last picture is {stops(brighter)} {'brighter' if brighter > 0 else 'darker'} than the first."
        )
    noise = number(last.get("noise_stops")) - number(first.get("noise_stops"))
    if math.isfinite(noise) and abs(noise) >= 0.2:
        said.append(f"Noise: {stops(noise)} {'more' if noise > 0 else 'less'}.")
    if setting == "shutter_s":
        said.append(f"Blur of what stands still: {streak_text(first)} at first, {streak_text(last)} at last.")
        if any("moving_streak_px" in row for row in rows):
            said.append(f"Blur of what moves: {moving_text(first)} at first, {moving_text(last)} at last.")
    if setting == "f_number" and math.isfinite(number(last.get("sharp_share"))):
        best = max(
            known, key=lambda row: number(row.get("sharp_share")) if number(row.get("sharp_share")) >= 0 else -1.0
        )
        most = number(best.get("sharp_share"))
        said.append(
            f"Sharp places: {wording.share(number(first.get('sharp_share')))} at first, "
            f"{wording.share(number(last.get('sharp_share')))} at last"
            + (
                f", most at {setting_text(setting, best)} ({wording.share(most)})."
                if best not in (first, last)
                else "."
            )
        )
    return said


def _settings_sentence(setting: str, first: Mapping[str, Any], last: Mapping[str, Any]) -> str:
    light = {"shutter_s": 1, "f_number": -1, "iso": 1}
    parts = []
    for key in (setting, *(name for name in light if name != setting)):
        difference = between_stops(key, first, last)
        if not math.isfinite(difference) or (key != setting and abs(difference) < 0.2):
            continue
        way = "brighter" if difference * light[key] > 0 else "darker"
        parts.append(f"{setting_text(key, first)} to {setting_text(key, last)} ({stops(difference)} {way})")
    return f"From the first frame to the last: {', '.join(parts)}."


def numbers_table(setting: str | None, rows: Sequence[Mapping[str, Any]]) -> Table:
    """Return what was measured of each frame against the first, and against the sharpest."""
    moving = any("moving_streak_px" in row for row in rows)
    blurred = any(row.get("relative_to") for row in rows)
    deep = any(math.isfinite(number(row.get("sharp_share"))) for row in rows)
    table = []
    for row in rows:
        cells = [
            setting_text(setting, row) if setting else text(row.get("step")), *_lines(setting, row),
            _signed(row, "brightness_stops"), _signed(row, "noise_stops"),
        ]  # fmt: skip
        cells += [_short(streak_text(row))] if blurred else []
        cells += [_short(moving_text(row))] if moving else []
        cells += [wording.share(number(row.get("sharp_share")))] if deep else []
        cells += [wording.share(number(row.get("clipped_share"))), text(row.get("file"))]
        table.append(tuple(cells))
    names = {"shutter_s": "shutter", "f_number": "f-number", "iso": "ISO"}
    columns = [names.get(setting or "", "try"), *(name for key, name in names.items() if key != setting)]
    columns += ["brightness, stops", "noise, stops"]
    columns += ["blur, still"] if blurred else []
    columns += ["blur, moving"] if moving else []
    columns += ["sharp places"] if deep else []
    columns += ["clipped", "frame"]
    note = (
        "Brightness and noise: against the first frame; noise relative to the brightness, in plain parts of the scene. "
        "1 stop of noise is twice as much."
    )
    if blurred:
        note += " Blur, still: the streak that was added against the sharpest frame, in pixels."
    if moving:
        note += " Blur, moving: how far the moving thing is smeared; a rough measure."
    if deep:
        note += " Sharp places: share of the places with detail."
    return Table("What was measured", tuple(columns), tuple(table), frozenset({0, len(columns) - 1}), note)


def _short(said: str) -> str:
    return said.replace("the sharpest of the series", "sharpest").replace("clearest of the series", "clearest")


def _signed(row: Mapping[str, Any], key: str) -> str:
    value = number(row.get(key))
    if not math.isfinite(value):
        return wording.UNKNOWN
    shown = wording.decimals(value, 1)
    return shown if shown.startswith("-") or shown == "0.0" else f"+{shown}"


def _notes(practice: Mapping[str, Any], rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return what to know before the numbers are read."""
    said = []
    apart = [text(row.get("file")) for row in rows if row.get("laid_on_others") is False]
    if apart:
        said.append(
            f"{wording.listing(apart, 4)}: shows another part of the scene than the others, or another size, or is too "
            "blurred to be lined up with them; nothing could be compared with it."
        )
    if any("rendered" in (row.get("flags") or ()) for row in rows):
        said.append(
            "These are developed pictures: the camera has brightened, smoothed and sharpened them in its own way, and "
            "the numbers are of that. In raw files the noise is larger."
        )
    without = [text(row.get("file")) for row in rows if not number(row.get("f_number")) > 0]
    if without:
        said.append("The f-number is not recorded in these frames; phones have one only.")
    elif (
        len(rows) > 1
        and len({number(row.get("f_number")) for row in rows}) == 1
        and practice.get("setting") != "f_number"
    ):
        said.append(f"All frames have {wording.f_number(number(rows[0].get('f_number')))}.")
    return said
