"""What the frames of a blur run show besides hands: a knock by the shutter, roll, blur that is always there, unrest.

Each is an entry of `blur.findings`: kind, size, size_stderr, unit, z (size in standard errors, for roll over all frames
together), probability that noise alone makes any such, text; NaN where it is not known.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from kitgauge.exposure import format_shutter, nominal_shutter_s
from kitgauge.fit.blur.blur_constant import ConstantBlur
from kitgauge.flags import describe
from kitgauge.measure.blur.camera_roll import CameraRoll
from kitgauge.measure.blur.shutter_shock import ShutterShock

_NAN = math.nan
_LEAST_Z = 3.0
_MEDIAN = math.sqrt(math.pi / 2.0)  # standard error of a median against that of a mean, for normal values


def shock_finding(shock: ShutterShock) -> dict[str, Any]:
    """Return the entry of a knock by the shutter."""
    speeds = [format_shutter(nominal_shutter_s(time)) for time in shock.shutter_s]
    worst = format_shutter(nominal_shutter_s(shock.worst_shutter_s))
    listed = speeds[0] if len(speeds) == 1 else f"{', '.join(speeds[:-1])} and {speeds[-1]}"
    along = (shock.direction_deg + 45.0) % 180.0
    way = "up and down" if along > 90.0 else "sideways"
    # L^2 = 12 T, so that T in its standard errors is L / (2 dL)
    z = 0.5 * shock.streak_px / shock.streak_px_stderr
    return {
        "kind": "shutter-shock",
        "size": shock.streak_px,
        "size_stderr": shock.streak_px_stderr,
        "unit": "px",
        "z": z,
        "probability": min(1.0, len(shock.times) * _by_chance(z)),
        "direction_deg": shock.direction_deg,
        "shutter_s": [nominal_shutter_s(time) for time in shock.shutter_s],
        "text": (
            f"The shutter or the mirror shakes the camera, on the tripod too: frames at {listed} are blurred {way} "
            f"({shock.direction_deg:.0f} degrees from the rows), most at "
            f"{worst} by {shock.streak_px:.1f} px. Every handheld frame "
            "has what tripod frames of its own speed, or the nearest, show taken off, so that this is not put down to "
            "the hands; the hands are known less well for it, and pictures blur by it as well. "
            "With an electronic shutter, or an electronic first curtain, it goes away."
        ),
    }


def roll_finding(rows: Sequence[Mapping[str, Any]], rolls: Mapping[str, CameraRoll]) -> dict[str, Any] | None:
    """Return the entry of roll in the handheld frames, None where none shows any. `rows` are those of `blur.frames`."""
    held = [row for row in rows if row["role"] == "handheld"]
    rolled = [row for row in held if math.isfinite(row["roll_mrad"])]
    # of every frame that could show roll, those that do not too: sum of z over the root of their number (Stouffer)
    known = [rolls[row["file"]].variance_z for row in held if row["file"] in rolls]
    each = [z for z in known if math.isfinite(z)]
    z = sum(each) / math.sqrt(len(each)) if each else _NAN
    if not rolled or not z > _LEAST_Z:
        return None
    sizes = np.array([row["roll_mrad"] for row in rolled])
    middle = float(np.median(sizes))
    scatter = float(sizes.std(ddof=1)) if sizes.size > 1 else _NAN
    noise = float(np.median([row["roll_mrad_stderr"] for row in rolled]))
    # a knock of the shutter is in the corners' streak, not in the centre's
    plain = [row for row in rolled if math.isfinite(row["worst_px"]) and "shutter-shock" not in row["flags"]]
    worst = max(plain or rolled, key=lambda row: -1.0 if math.isnan(row["worst_px"]) else row["worst_px"])
    centre = (
        f"{worst['streak_px']:.1f} px" if math.isfinite(worst["streak_px"]) else f"under {worst['bound_px']:.1f} px"
    )
    corners = (
        ""
        if not plain
        else f" Corners blur more: in {worst['file']} {worst['worst_px']:.1f} px {worst['worst_place']}, {centre} in "
        "the centre."
    )
    return {
        "kind": "roll",
        "size": middle,
        "size_stderr": noise if math.isnan(scatter) else _MEDIAN * scatter / math.sqrt(sizes.size),
        "unit": "mrad",
        "z": z,
        "probability": _by_chance(z),
        "frames": len(rolled),
        "text": (
            f"{len(rolled)} of {len(held)} handheld frames show the camera turning about the lens axis, by "
            f"{middle:.2g} mrad in the median of these. Their streaks are those of the frame's centre.{corners}"
        ),
    }


def constant_finding(constant: ConstantBlur) -> dict[str, Any]:
    """Return the entry of blur at all speeds."""
    return {
        "kind": "constant-blur",
        "size": constant.streak_px,
        "size_stderr": _NAN,
        "unit": "px",
        "z": _NAN,
        "probability": _NAN,
        "frames": constant.frames,
        "text": (
            f"blur that does not depend on shutter speed, like a streak of {constant.streak_px:.1f} px: focus or "
            f"distance changed since the tripod frames; {describe('constant-blur').advice}"
        ),
    }


def bursts_note(names: Sequence[str | None], *, hands: bool) -> str | None:
    """Return what frames of bursts mean for the intervals, None without any; `names`: each fitted frame's burst."""
    within = [name for name in names if name is not None and names.count(name) > 1]
    if not within:
        return None
    number = len(set(within))
    return (
        f"{len(within)} frames come from {number} {'burst' if number == 1 else 'bursts'}; frames of one burst share a "
        "movement, so they tell less than as many single frames, and intervals of bursts are on the wide side"
        + ("; lower the camera between frames" if hands else "")
    )


def unrest_finding(unrest_px: float, seen: Sequence[str]) -> dict[str, Any]:
    """Return the entry of a tripod reference that was not still: by how much (NaN or infinite: not known), and how it
    showed."""
    return {
        "kind": "tripod-unsteady",
        "size": unrest_px if math.isfinite(unrest_px) else _NAN,
        "size_stderr": _NAN,
        "unit": "px",
        "z": _NAN,
        "probability": _NAN,
        "text": f"{' and '.join(seen)}: {describe('tripod-unsteady').advice}",
    }


def _by_chance(z: float) -> float:
    """Return how often noise alone reaches z (normal, one-sided)."""
    return 0.5 * math.erfc(z / math.sqrt(2.0))
