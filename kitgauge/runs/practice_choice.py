"""The whole choice: a learner's settings beside those that the planner works out from the light of the frames."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from kitgauge.errors import KitgaugeError
from kitgauge.exposure import (
    MIDGREY_FRACTION_OF_SATURATION,
    ev100,
    exact_f_number,
    exact_iso,
    exact_shutter_s,
)
from kitgauge.ingest.record import FrameRecord
from kitgauge.limits.entries import AcceptedLimit
from kitgauge.limits.kit_folder import known_kits
from kitgauge.limits.store import FILE_NAME, read_limits
from kitgauge.planner.kit_model import KitModel, model_behind
from kitgauge.planner.light import MIDGREY_RENDERED
from kitgauge.planner.plan import make_plan
from kitgauge.planner.request import FULL_FRAME_DIAGONAL_MM, TRIPOD, CameraFacts, PlanRequest
from kitgauge.runs.context import Kit
from kitgauge.runs.practice_subject import SubjectAsked

_SMALL_SENSOR, _PHONE_F_NUMBER = 3.0, 2.8  # focal length in 35 mm terms over the real one, at least; f-number at most
_MOST_CLIPPED = 0.02


def compare_with_plan(
    asked: SubjectAsked,
    records: Sequence[FrameRecord],
    measured: Mapping[str, Mapping[str, Any]],
    kit: Kit,
    results: Path,
) -> dict[str, Any]:
    """Return what the planner chooses for a subject, and by how many stops each try differs from it.

    `plan` is None, and `reason` says why, where there is nothing to compare with. Per try (file): `shutter_stops` (+:
    slower than the plan), `aperture_stops` (+: less light through the lens), `iso_stops` (+: higher), `away_stops`, the
    sum of all three without sign, and `brightness_stops_from_meter` (+: brighter than a meter would expose).
    """
    lights = {record.file: light for record in records if (light := _light(record, measured[record.file])) is not None}
    found: dict[str, Any] = {
        "folder": asked.folder,
        "subject": asked.subject,
        "near_m": asked.near_m,
        "far_m": asked.far_m,
        "tripod": asked.tripod,
        "plan": None,
        "reason": "",
        "tries": {},
    }
    if asked.problem or asked.subject is None:
        what = asked.problem or "its name does not say whether the subject is still, moving or fast"
        return {**found, "reason": f"{what}; name the folder like 'moving 3m'"}
    if not lights:
        missing = "the f-number" if all(record.f_number is None for record in records) else "a setting"
        return {**found, "reason": f"{missing} is not recorded in the frames: give it with --settings FILE.csv"}
    # the light is the same for all tries: taken from the one that is least clipped, then nearest to mid-grey
    best = min(lights, key=lambda file: (measured[file]["clipped_share"] > _MOST_CLIPPED, abs(lights[file][1])))
    light_ev100 = lights[best][0]
    shown = next(record for record in records if record.file == best)
    request = PlanRequest(
        ev100=light_ev100,
        focal_mm=shown.focal_mm,
        near_m=asked.near_m,
        far_m=asked.far_m,
        distance_m=asked.near_m if asked.near_m == asked.far_m else None,
        subject=asked.subject,
        technique=TRIPOD if asked.tripod else None,
    )
    try:
        limits, model = _accepted(kit, results)
        plan = make_plan(request, limits, _camera(records, measured, kit, limits), model)
    except KitgaugeError as error:
        return {**found, "reason": f"no plan could be made: {error.what}" + (f" ({error.got})" if error.got else "")}
    setting = plan.setting
    tries = {}
    for record in records:
        if record.file not in lights:
            continue
        stops = {
            "shutter_stops": math.log2(exact_shutter_s(record.shutter_s or math.nan) / setting.shutter_s),
            "aperture_stops": 2.0 * math.log2(exact_f_number(record.f_number or math.nan) / setting.f_number),
            "iso_stops": math.log2(exact_iso(record.iso or math.nan) / setting.iso),
        }
        tries[record.file] = {
            **stops,
            "away_stops": sum(abs(value) for value in stops.values()),
            "brightness_stops_from_meter": lights[record.file][1],
        }
    said = plan.as_dict()
    kept = ("settings", "binds", "reasons", "basis", "cautions", "shortfall_stops", "exposure_error_stops")
    return {
        **found,
        "plan": {key: said[key] for key in kept},
        "light_ev100": light_ev100,
        "light_from": best,
        "light_clipped": measured[best]["clipped_share"] > _MOST_CLIPPED,
        "fixed_aperture": _fixed_aperture(records),
        "tries": tries,
    }


def _light(record: FrameRecord, measured: Mapping[str, Any]) -> tuple[float, float] | None:
    """Return the light by a frame [EV at ISO 100], and how far its mean lies above mid-grey [stops]."""
    level = measured.get("mean_level")
    if not (record.iso and record.shutter_s and record.f_number and level and level > 0):
        return None
    midgrey = MIDGREY_RENDERED if "rendered" in measured["flags"] else MIDGREY_FRACTION_OF_SATURATION
    above = math.log2(level / midgrey)
    settings = ev100(exact_f_number(record.f_number), exact_shutter_s(record.shutter_s), exact_iso(record.iso))
    return settings + above, above


def _accepted(kit: Kit, results: Path) -> tuple[list[AcceptedLimit], KitModel]:
    """Return the accepted limits of the learner's own body, none where it was not measured."""
    if kit.name not in known_kits(results):
        return [], KitModel()
    file = read_limits(results / kit.name / FILE_NAME)
    return file.limits, model_behind(file)


def _fixed_aperture(records: Sequence[FrameRecord]) -> bool:
    """Tell whether the frames look like those of a phone, whose lens has one f-number: a small sensor, and one low
    f-number in all of them."""
    small = all(
        record.focal_mm and record.focal_35mm and record.focal_35mm / record.focal_mm > _SMALL_SENSOR
        for record in records
    )
    f_numbers = {record.f_number for record in records if record.f_number}
    return small and len(f_numbers) == 1 and max(f_numbers) <= _PHONE_F_NUMBER


def _camera(
    records: Sequence[FrameRecord],
    measured: Mapping[str, Mapping[str, Any]],
    kit: Kit,
    limits: Sequence[AcceptedLimit],
) -> CameraFacts:
    """Return what the camera can be set to: the usual ranges, as wide as the frames at least show them."""
    usual = CameraFacts()
    isos = [record.iso for record in records if record.iso]
    f_numbers = [record.f_number for record in records if record.f_number]
    camera = replace(
        usual,
        iso_min=min([usual.iso_min, *isos]),
        iso_max=max([usual.iso_max, *isos]),
        f_min=min([usual.f_min, *f_numbers]),
        f_max=max([usual.f_max, *f_numbers]),
    )
    if _fixed_aperture(records):
        camera = replace(camera, f_min=min(f_numbers), f_max=max(f_numbers))
    rows, columns = next(measured[record.file]["shape"] for record in records)
    focal = next(((r.focal_mm, r.focal_35mm) for r in records if r.focal_mm and r.focal_35mm), None)
    if kit.pixel_pitch_um is not None and not limits:
        scale = kit.pixel_pitch_um / 1000.0
        return replace(camera, frame_width_mm=columns * scale, frame_height_mm=rows * scale)
    if focal is not None and not limits and focal[0] and focal[1]:
        diagonal = FULL_FRAME_DIAGONAL_MM * focal[0] / focal[1]
        unit = diagonal / math.hypot(rows, columns)
        return replace(camera, frame_width_mm=columns * unit, frame_height_mm=rows * unit)
    return camera
