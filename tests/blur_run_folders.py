"""Folders of finished blur runs of people with known hands: the files that comparisons read, without frames."""

from __future__ import annotations

import json
import math
from datetime import datetime
from pathlib import Path

import numpy as np

SHAPE = (4000, 6000)  # rows, columns
DIAGONAL_PX = math.hypot(*SHAPE)
PITCH_UM = 6.0  # 36 x 24 mm
LADDER = 2.0 ** -np.arange(2.0, 9.0)
STREAK_PX = DIAGONAL_PX / 1500.0


def true_limit_s(scale_px: float, keep: float = 0.8, streak_px: float = STREAK_PX) -> float:
    """The slowest time of Rayleigh streaks of scale `scale_px` x t / (1/32 s), by the closed form of their quantile."""
    return streak_px / (scale_px * math.sqrt(-2.0 * math.log(1.0 - keep))) / 32.0


def scale_for(limit_s: float, keep: float = 0.8, streak_px: float = STREAK_PX) -> float:
    """Return the scale at 1/32 s [px] of hands with this limit."""
    return streak_px / (32.0 * limit_s * math.sqrt(-2.0 * math.log(1.0 - keep)))


def write_blur_run(
    folder: Path,
    limit_s: float,
    seed: int,
    *,
    technique: str | None = "standing",
    day: datetime | None = datetime(2026, 3, 1, 10),
    frames: int = 10,
    keep: float = 0.8,
    streak_px: float = STREAK_PX,
    focal_mm: float | None = 50.0,
    lens: str = "Zeta",
    body: str = "Sampler",
    shape: tuple[int, int] = SHAPE,
    pitch_um: float | None = PITCH_UM,
    role: str = "handheld",
    developed: bool = False,
    flags: tuple[str, ...] = (),
    tripod: str = "",
    ladder: np.ndarray = LADDER,
) -> Path:
    """Write the run of hands whose true limit at this criterion and focal length is `limit_s`."""
    rng = np.random.default_rng(seed)
    t = np.repeat(ladder, frames)
    true = scale_for(limit_s, keep, streak_px) * (t * 32.0) * rng.rayleigh(1.0, t.size)
    variance = true**2 / 12.0 + 0.008 * rng.standard_normal(t.size)
    rows, table = [], ["file,sha256,taken_at,body,lens,iso,shutter_s,f_number,focal_mm,step,role,status,flags,reason"]
    for k, (time, square) in enumerate(zip(t, variance, strict=True)):
        below, above = square < 0.016, true[k] > 60.0
        streak = None if below or above else math.sqrt(12.0 * square)
        rows.append(
            {
                "file": f"{folder.name}{k}.DNG",
                "role": role,
                "shutter_s_exact": float(time),
                "streak_px": streak,
                "streak_px_stderr": None if streak is None else 0.048 / streak + 0.02 * streak,
                "censored": "below" if below else "above" if above else None,
                "bound_px": 0.44 if below else 60.0 if above else None,
                "motion_variance_px2": float(square),
                "motion_variance_px2_stderr": math.hypot(0.008, 0.04 * square),
                "excluded": False,
            }
        )
        moment = "" if day is None else day.isoformat()
        table.append(f"{folder.name}{k}.DNG,{folder.name}{seed}-{k},{moment},,,,,,,,{role},used,,")
    table.append(f"tripod.DNG,{tripod or folder.name}-tripod,,,,,,,,,tripod,used,,")
    kit = {
        "name": "sampler",
        "body": body,
        "body_serial": None,
        "lens": lens,
        "focal_mm": focal_mm,
        "focal_35mm": None,
        "pixel_pitch_um": pitch_um,
        "width_px": shape[1],
        "height_px": shape[0],
        "developed": developed,
    }
    limits = [{"kind": "shutter", "criterion": {"streak_px": streak_px, "keep": keep}}]
    blur = {"frames": rows, "fit": {"flags": list(flags)}, "limits": [{"streak_limit_px": streak_px}]}
    folder.mkdir(parents=True)
    curves = {"schema": 1, "protocol": "handheld-shutter", "kit": kit, "technique": technique, "blur": blur}
    (folder / "curves.json").write_text(json.dumps({**curves, "limits": limits}))
    (folder / "run.json").write_text(json.dumps({"schema": 1, "settings": {"criteria": {"keep": keep}}}))
    (folder / "frames.csv").write_text("\n".join(table) + "\n")
    return folder
