"""What a blur run says of each frame: streak at the frame's centre, roll, pitch and yaw as angles, the table's row."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from kitgauge.exposure import exact_shutter_s
from kitgauge.fit.sharpness.target_seen import target_seen
from kitgauge.ingest.record import FrameRecord
from kitgauge.measure.blur.camera_roll import NOT_KNOWN, CameraRoll, at_the_centre, camera_roll
from kitgauge.measure.blur.shutter_shock import StillSeries, apart_from_the_knock
from kitgauge.measure.blur.streak import Streak, edge_key, measure_streak
from kitgauge.measure.edges.edge_profile import EdgeProfile
from kitgauge.runs.context import Kit, Results

_NAN = math.nan


@dataclass(frozen=True)
class Angles:
    """How pixels become angles: focal length at the target's distance [mm] (as marked where the markers do not tell the
    scale: `at_the_target` False), and mrad per pixel; NaN where pitch or focal length is unknown.
    """

    focal_mm: float
    mrad_per_px: float
    at_the_target: bool

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "effective_focal_mm": self.focal_mm,
            "mrad_per_px": self.mrad_per_px,
            "at_the_target": self.at_the_target,
        }


def angles_of(kit: Kit, results: Results) -> Angles:
    """Return how pixels become angles for this kit, by the target's markers where the first tripod frame shows them.

    A lens focused on a target stands f (1 + m) from the sensor, m the magnification (thin lens); seen from there, a
    pixel is pitch / (f (1 + m)).
    """
    if not kit.focal_mm or not kit.pixel_pitch_um:
        return Angles(_NAN, _NAN, False)
    seen = target_seen([result.get("target") or [] for result in results.values() if result.get("profiles")])
    focal_mm = kit.focal_mm * (1.0 + (0.0 if seen is None else seen.magnification(kit.pixel_pitch_um)))
    return Angles(focal_mm, kit.pixel_pitch_um / focal_mm, seen is not None)


def edges_of(measurement: Mapping[str, Any]) -> list[EdgeProfile]:
    """Return the edge profiles of one frame's measurement."""
    return [EdgeProfile.from_dict(profile) for profile in measurement.get("profiles") or []]


def frame_streak(
    record: FrameRecord, measurement: Mapping[str, Any], still: StillSeries, shape: tuple[int, int] | None
) -> tuple[Streak, CameraRoll]:
    """Return the streak of one frame, at the frame's centre where the camera rolled, and the roll.

    A target that turns in the frame is no roll of the camera: frames of a subject have none.
    """
    reference = still.reference
    edges = edges_of(measurement)
    streak = measure_streak(edges, reference)
    if record.role == "subject" or shape is None:
        return streak, NOT_KNOWN
    roll = camera_roll(streak, {edge_key(edge): edge.candidate for edge in edges}, shape)
    return at_the_centre(streak, roll, reference), roll


def without_the_knock(
    records: Iterable[FrameRecord], streaks: Mapping[str, Streak], still: StillSeries
) -> dict[str, Streak]:
    """Return the streaks with what a knock of the shutter adds to tripod and handheld frames taken off."""
    alike: dict[tuple[str, float], list[str]] = {}
    for record in records:
        if record.role in ("tripod", "handheld") and record.file in streaks and record.shutter_s is not None:
            alike.setdefault((record.role, exact_shutter_s(record.shutter_s)), []).append(record.file)
    found = dict(streaks)
    for (role, time), files in alike.items():
        if (knock := still.knock(time)) is not None:
            apart = apart_from_the_knock([streaks[file] for file in files], knock, held=role == "handheld")
            found |= zip(files, apart, strict=True)
    return found


def frame_row(record: FrameRecord, streak: Streak | None, roll: CameraRoll, kit: Kit, angles: Angles) -> dict[str, Any]:
    """Return the row of `blur.frames` of one frame; a frame without a streak has NaN."""
    known = streak is not None
    px = streak.streak_px if streak is not None else _NAN
    per_px = angles.mrad_per_px
    along_x, along_y = (
        (_NAN, _NAN) if streak is None or streak.censored else (streak.variance_x_px2, streak.variance_y_px2)
    )
    return {
        "file": record.file,
        "shutter_s": record.shutter_s,
        "shutter_s_exact": None if record.shutter_s is None else exact_shutter_s(record.shutter_s),
        "role": record.role,
        "streak_px": px,
        "streak_px_stderr": streak.streak_px_stderr if streak is not None else _NAN,
        "streak_um": px * kit.pixel_pitch_um if kit.pixel_pitch_um else _NAN,
        "streak_mrad": px * per_px,
        # about the axes of the frame as it was recorded, held level: yaw moves the picture along the rows
        "yaw_mrad": math.sqrt(12.0 * max(along_x, 0.0)) * per_px,
        "pitch_mrad": math.sqrt(12.0 * max(along_y, 0.0)) * per_px,
        "roll_mrad": roll.roll_mrad,
        "roll_mrad_stderr": roll.roll_stderr_mrad,
        "roll_mrad_bound": roll.roll_bound_mrad,
        "worst_px": roll.worst_px,
        "worst_place": roll.worst_place or None,
        "direction_deg": streak.direction_deg if streak is not None else _NAN,
        "direction_deg_stderr": streak.direction_deg_stderr if streak is not None else _NAN,
        # the estimate that streak_px is the root of, under the floor too: negative by noise at times
        "motion_variance_px2": streak.trace_px2 if streak is not None else _NAN,
        "motion_variance_px2_stderr": streak.trace_px2_stderr if streak is not None else _NAN,
        "censored": streak.censored if streak is not None else None,
        "bound_px": streak.bound_px if streak is not None else _NAN,
        "edges_used": streak.edges_used if streak is not None else 0,
        "flags": list(dict.fromkeys([*record.flags, *(streak.flags if streak is not None else ())])),
        "excluded": record.status != "used" or not known,
    }
