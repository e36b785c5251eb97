"""What a blur run says of each frame: streak at the frame's centre, roll, pitch and yaw as angles, the table's row."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from kitgauge.exposure import exact_shutter_s, format_shutter, nominal_shutter_s
from kitgauge.fit.sharpness.target_seen import target_seen
from kitgauge.ingest.record import FrameRecord
from kitgauge.measure.blur.camera_roll import NOT_KNOWN, CameraRoll, at_the_centre, camera_roll
from kitgauge.measure.blur.shutter_shock import ShutterShock, StillSeries
from kitgauge.measure.blur.streak import Streak, edge_key, measure_streak
from kitgauge.measure.edges.edge_candidate import EdgeCandidate
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


def usable_edges(measurement: Mapping[str, Any]) -> list[EdgeCandidate]:
    """Return the edges of a tripod frame that other frames are searched for."""
    return [edge.candidate for edge in edges_of(measurement) if not edge.flags]


def frame_streak(
    record: FrameRecord, measurement: Mapping[str, Any], still: StillSeries, shape: tuple[int, int] | None
) -> tuple[Streak, CameraRoll]:
    """Return the streak of one frame, at the frame's centre where the camera rolled, and the roll.

    A target that turns in the frame is no roll of the camera: frames of a subject have none.
    """
    reference = still.nearest(None if record.shutter_s is None else exact_shutter_s(record.shutter_s))
    edges = edges_of(measurement)
    streak = measure_streak(edges, reference)
    if record.role == "subject" or shape is None:
        return streak, NOT_KNOWN
    roll = camera_roll(streak, {edge_key(edge): edge.candidate for edge in edges}, shape)
    return at_the_centre(streak, roll, reference), roll


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


def findings(shock: ShutterShock | None, rows: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return what the frames show besides hands: a knock by the shutter, roll of the camera."""
    found = [] if shock is None else [_shock_finding(shock)]
    rolled = [row for row in rows if math.isfinite(row["roll_mrad"]) and row["role"] == "handheld"]
    if rolled:
        found.append(_roll_finding(rolled, sum(row["role"] == "handheld" for row in rows)))
    return found


def _shock_finding(shock: ShutterShock) -> dict[str, Any]:
    speeds = [format_shutter(nominal_shutter_s(time)) for time in shock.shutter_s]
    worst = format_shutter(nominal_shutter_s(shock.worst_shutter_s))
    listed = speeds[0] if len(speeds) == 1 else f"{', '.join(speeds[:-1])} and {speeds[-1]}"
    along = (shock.direction_deg + 45.0) % 180.0
    way = "up and down" if along > 90.0 else "sideways"
    return {
        "kind": "shutter-shock",
        "size": shock.streak_px,
        "size_stderr": shock.streak_px_stderr,
        "unit": "px",
        "direction_deg": shock.direction_deg,
        "shutter_s": [nominal_shutter_s(time) for time in shock.shutter_s],
        "text": (
            f"The shutter or the mirror shakes the camera, on the tripod too: frames at {listed} are blurred {way} "
            f"({shock.direction_deg:.0f} degrees from the rows), most at "
            f"{worst} by {shock.streak_px:.1f} px. Every handheld frame "
            "was compared with tripod frames of its own speed, or the nearest, so that this is not put down to the "
            "hands; with an electronic shutter, or an electronic first curtain, it goes away."
        ),
    }


def _roll_finding(rolled: Sequence[Mapping[str, Any]], frames: int) -> dict[str, Any]:
    middle = float(np.median([row["roll_mrad"] for row in rolled]))
    worst = max(rolled, key=lambda row: -1.0 if math.isnan(row["worst_px"]) else row["worst_px"])
    centre = (
        f"{worst['streak_px']:.1f} px" if math.isfinite(worst["streak_px"]) else f"under {worst['bound_px']:.1f} px"
    )
    return {
        "kind": "roll",
        "size": middle,
        "unit": "mrad",
        "frames": len(rolled),
        "text": (
            f"{len(rolled)} of {frames} handheld frames show the camera turning about the lens axis, by "
            f"{middle:.2g} mrad in the median. Streaks are those of the frame's centre; corners blur more: in "
            f"{worst['file']} {worst['worst_px']:.1f} px {worst['worst_place']}, {centre} in the centre."
        ),
    }
