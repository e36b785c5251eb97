"""A practice series: the learner's frames side by side, and what changed from one to the next; no limit is set."""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping, Sequence
from pathlib import PurePosixPath
from typing import Any

import numpy as np

from kitgauge.exposure import ev100, exact_f_number, exact_iso, exact_shutter_s
from kitgauge.ingest.practice_blur import blur_label, practice_blur_task
from kitgauge.ingest.practice_frames import practice_task
from kitgauge.ingest.practice_pictures import pictures_label, pictures_task
from kitgauge.ingest.record import FrameRecord
from kitgauge.measure.practice.depth import ROUGH_RANGE_PX, fine_detail
from kitgauge.measure.practice.moving_blur import LONGEST, ThingSpectrum, streaks_of_thing
from kitgauge.runs.context import Results, RunContext, Section, common_shape, with_refusals
from kitgauge.runs.practice_choice import compare_with_plan
from kitgauge.runs.practice_places import Place, telling_places
from kitgauge.runs.practice_series import Series, first_reference, in_order
from kitgauge.runs.practice_subject import subject_of_folder
from kitgauge.runs.scene_blur import relative_blur

PICTURES = "pictures"  # folder of the run
MOST_SHOWN = 16  # frames with pictures
_AGAINST_FIRST = (
    "brightness_stops", "noise_stops", "noise_stops_stderr", "noise_light_stops", "noise_dark_stops", "sharp_share",
    "depth_map",
)  # fmt: skip


def measure(context: RunContext, results: Results) -> None:
    """Measure each frame place by place, then cut out the places that tell most and measure the blur of what stands
    still."""
    setting = context.protocol.setting
    groups = list(_groups(context.used(), setting).values())
    tasks = []
    for group in groups:
        laid_on = first_reference(group, setting)
        tasks += [practice_task(record, laid_on, context.cache) for record in group]
    context.run("measuring frames", tasks, results)
    tasks = []
    for group in groups:
        series = _series(setting, group, results)
        places = telling_places(series)
        thing = next((place.at for place in places if place.name == "moving"), {})
        if (against := series.compared_with) is not None:
            moving = series.moving_parts(against)
            tasks += [
                practice_blur_task(record, against, moving, thing.get(record.file), context.cache)
                for record in series.laid
            ]
        for record in _shown(series):
            if shape := series.measured.get(record.file, {}).get("shape"):  # else it could not be opened
                at = [place.at[record.file] for place in places]
                tasks.append(pictures_task(record, (shape[0], shape[1]), at, context.cache))
    context.run("making pictures", tasks, results)


def conclude(context: RunContext, results: Results) -> Section:
    """Return one row per frame: settings, the light they were set for, and brightness, noise, blur and depth against
    the other frames; with pictures to look at. Of tries at subjects, how they differ from the planner's choice."""
    records = with_refusals(context.records, results)
    setting = context.protocol.setting
    used = [record for record in records if record.status == "used"]
    seen = [record for record in used if record.file in results]
    missing = [f"{len(used) - len(seen)} frames not measured"] if len(seen) < len(used) else []
    asked = context.protocol
    section: dict[str, Any] = {
        "setting": setting,
        "questions": [
            {"text": text, "answer": answer}
            for text, answer in zip(asked.questions, asked.answers or ("none",) * len(asked.questions), strict=True)
        ],
    }
    files: dict[str, bytes] = {}
    if setting is not None:
        section |= series_section(_series(setting, seen, results), results, files)
    else:
        section["exercises"] = []
        for folder, group in _groups(seen, setting).items():
            series = _series(setting, group, results)
            compared = compare_with_plan(
                subject_of_folder(folder), series.records, results, context.kit, context.results
            )
            if compared["plan"] is None:
                missing.append(f"folder {folder}: {compared['reason']}")
            section["exercises"].append({**compared, **series_section(series, results, files)})
        section["frames"] = [row for exercise in section["exercises"] for row in exercise["frames"]]
    return Section(
        curves={"practice": section},
        records=records,
        missing=tuple(missing),
        shape=common_shape(results),
        files=files,
    )


def _groups(records: Sequence[FrameRecord], setting: str | None) -> dict[str, list[FrameRecord]]:
    """Return the frames of each series: all of them, or those of one folder each where all settings are free."""
    if setting is not None:
        return {"": list(records)}
    groups: dict[str, list[FrameRecord]] = {}
    for record in records:
        parent = PurePosixPath(record.file).parent.as_posix()
        # frames that lie in no subfolder: the folder given is named after the subject, or should be
        groups.setdefault(record.path.resolve().parent.name if parent == "." else parent, []).append(record)
    return groups


def _series(setting: str | None, group: Sequence[FrameRecord], results: Results) -> Series:
    return Series(setting, tuple(in_order([r for r in group if r.file in results], setting)), results)


def _shown(series: Series) -> list[FrameRecord]:
    """Return the frames that get pictures: all, or of many those spread evenly over the series."""
    records = series.records
    if len(records) <= MOST_SHOWN:
        return list(records)
    return [records[round(k * (len(records) - 1) / (MOST_SHOWN - 1))] for k in range(MOST_SHOWN)]


def series_section(series: Series, results: Results, files: dict[str, bytes]) -> dict[str, Any]:
    """Return what curves.json holds of one series; its pictures are added to `files` (name -> content)."""
    places = telling_places(series) if series.records else []
    seen = {record.file: results.get(blur_label(record.file), {}) for record in series.records}
    blur = _with_rough(series, relative_blur(series.records, seen))
    moved = _moving_streaks(series, seen)
    rows = [
        {
            **_row(record, series.measured[record.file]),
            **_against_first(series, record),
            **_at_places(series, record, places),
            **moved.get(record.file, {}),
            **blur.get(record.file, {}),
            "pictures": _pictures(places, results.get(pictures_label(record.file), {}), files),
        }
        for record in series.records
    ]
    depth = series.depth
    return {
        "frames": rows,
        "places": [place.name for place in places],
        "sharp_px": depth.circle_px if depth is not None else series.sharp_px,
        "grid": None if series.grid is None else list(series.grid.grid),
        "depth_tiles": None if depth is None else depth.tiles,
        "noise_blocks": None if series.noise is None else series.noise.blocks,
        "moves": None if series.setting != "shutter_s" else series.movement is not None,
    }


def _row(record: FrameRecord, measured: Mapping[str, Any]) -> dict[str, Any]:
    light = math.nan
    if record.iso and record.shutter_s and record.f_number:
        light = ev100(exact_f_number(record.f_number), exact_shutter_s(record.shutter_s), exact_iso(record.iso))
    return {
        "file": record.file,
        "step": record.step,
        "role": record.role,
        "iso": record.iso,
        "shutter_s": record.shutter_s,
        "f_number": record.f_number,
        "focal_35mm": record.focal_35mm,
        "settings_ev100": light,
        "level_stops_below_saturation": measured["level_stops_below_saturation"],
        "clipped_share": measured["clipped_share"],
        "near_black_share": measured["near_black_share"],
        "flags": measured["flags"],
    }


def _against_first(series: Series, record: FrameRecord) -> dict[str, Any]:
    """Return what a frame shows against the first one of its series; None where they show no common scene."""
    nothing = dict.fromkeys(_AGAINST_FIRST)
    if record not in series.laid:
        return {"laid_on_others": False, **nothing}
    k = series.laid.index(record)
    noise, depth = series.noise, series.depth
    signs = {"sharp": "s", "unsharp": "u", "plain": "p", "": "-"}
    return {
        "laid_on_others": True,
        "brightness_stops": series.brightness_stops[k],
        "noise_stops": math.nan if noise is None else noise.all_stops[k],
        "noise_stops_stderr": math.nan if noise is None else noise.all_stops_stderr[k],
        "noise_light_stops": math.nan if noise is None else noise.light_stops[k],
        "noise_dark_stops": math.nan if noise is None else noise.dark_stops[k],
        "noise_light_share": math.nan if noise is None else noise.light_share[k],
        "noise_dark_share": math.nan if noise is None else noise.dark_share[k],
        "sharp_share": math.nan if depth is None else depth.sharp_share[k],
        "depth_map": None if depth is None else "".join(signs[state] for state in depth.state[k]),
    }


def _with_rough(series: Series, blur: dict[str, dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """Return the blur by file, filled up from the detail of the frames where comparing them pixel by pixel told
    nothing: because too much of them moved, or because the camera has smoothed and sharpened them."""
    rough = series.rough_streak_px
    if series.setting == "f_number" or rough is None:
        return blur
    known = {row["relative_to"] for row in blur.values()}
    sharpest = next(iter(known)) if known else series.laid[int(np.argmin(rough))].file
    low, high = ROUGH_RANGE_PX
    for record, streak in zip(series.laid, rough, strict=True):
        row = blur.setdefault(record.file, {"relative_to": sharpest, "relative_flags": []})
        told = math.isfinite(row.get("relative_streak_px", math.nan)) or row.get("relative_censored")
        if told or record.file == sharpest:
            continue
        censored = "below" if streak < low else "above" if streak > high else None
        row |= {
            "relative_streak_px": math.nan if censored else float(streak),
            "relative_streak_px_stderr": math.nan,
            "relative_censored": censored,
            "relative_bound_px": {"below": low, "above": high}.get(censored or "", math.nan),
            "relative_rough": True,
        }
    return blur


def _moving_streaks(series: Series, seen: Mapping[str, Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    """Return, by file, how far the moving thing is smeared beyond the frame that shows it most clearly."""
    if series.setting != "shutter_s" or series.movement is None:
        return {}
    spectra = [
        None if not (given := seen[record.file].get("thing")) else ThingSpectrum.from_dict(given)
        for record in series.records
    ]
    longest = next((LONGEST * one.size for one in spectra if one is not None), math.nan)
    return {
        record.file: {
            "moving_streak_px": math.nan if math.isinf(streak) else streak,
            "moving_over_px": longest if math.isinf(streak) else None,
        }
        for record, streak in zip(series.records, streaks_of_thing(spectra), strict=True)
    }


def _at_places(series: Series, record: FrameRecord, places: Sequence[Place]) -> dict[str, Any]:
    """Return what a frame of a series of f-numbers shows at the places that its pictures are of: the blur disc where it
    was blurred at first, and the fine detail where it is in focus, against the first frame [stops]."""
    if series.depth is None or record not in series.laid:
        return {}
    k = series.laid.index(record)
    found: dict[str, Any] = {}
    for place in places:
        if place.tile is None:
            continue
        if place.name == "blurred":
            variance = float(series.depth.variance_px2[k, place.tile])
            found["blurred_disc_px"] = 4.0 * math.sqrt(max(variance, 0.0)) if math.isfinite(variance) else math.nan
        if place.name == "focus":
            detail = fine_detail(series.tables, place.tile)
            with_first = detail[k] > 0 and detail[0] > 0
            found["focus_detail_stops"] = 0.5 * math.log2(detail[k] / detail[0]) if with_first else math.nan
    return found


def _pictures(places: Sequence[Place], made: Mapping[str, Any], files: dict[str, bytes]) -> dict[str, Any] | None:
    """Return the names and sizes of a frame's pictures, their content added to `files`; None without any."""
    if not made.get("overview"):
        return None
    number = sum(name.endswith("-whole.jpg") for name in files) + 1

    def kept(picture: Mapping[str, Any], what: str) -> dict[str, Any]:
        name = f"{PICTURES}/{number:02d}-{what}.jpg"
        files[name] = base64.b64decode(picture["jpeg"])
        return {"picture": name, "width_px": picture["width_px"], "height_px": picture["height_px"]}

    return {
        "whole": kept(made["overview"], "whole"),
        "parts": [
            {"place": place.name, **kept(crop, place.name), **{key: crop[key] for key in ("box", "x_px", "y_px")}}
            for place, crop in zip(places, made["crops"], strict=True)
        ],
    }
