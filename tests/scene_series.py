"""Series of frames of a scene without a target, written as DNG files: tripod frames, then handheld ones."""

from __future__ import annotations

import sys
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from kitgauge.simulate.dng import RecordedSettings, write_dng
from kitgauge.simulate.hands import Hands, draw_motion, sample_motion

sys.path.insert(0, str(Path(__file__).parent / "measure"))
from blurred_scenes import BLACK_DN, BORDER, WHITE_DN, Taken, take, texture, true_streak

FOCAL_MM, PITCH_UM = 50.0, 4.0


def write_frame(path: Path, frame, shutter_s: float, iso: float, minute: int) -> None:
    settings = RecordedSettings(
        make="Invented", model="Box", lens="Invented 50 mm", iso=iso, shutter_s=shutter_s, f_number=8.0,
        focal_mm=FOCAL_MM, taken_at=datetime(2026, 5, 1, 10) + timedelta(minutes=minute), pixel_pitch_um=PITCH_UM,
    )  # fmt: skip
    path.parent.mkdir(parents=True, exist_ok=True)
    write_dng(path, frame.samples, (("R", "G"), ("G", "B")), BLACK_DN, int(WHITE_DN), settings)


def shoot(
    folder: Path, kind: str, shutters: tuple[float, ...], each: int, seed: int, *, tripod: bool = True
) -> dict[str, float]:
    """Write a series and return the true streak [px] of each handheld frame by file."""
    rng = np.random.default_rng(seed)
    scene = texture(kind, (420 + 2 * BORDER, 620 + 2 * BORDER), seed)
    truth: dict[str, float] = {}
    number = 0
    for shutter in shutters if tripod else ():
        for _ in range(2):
            number += 1
            frame = take(scene, None, Taken(snr=60.0, seed=1000 * seed + number))
            write_frame(folder / "tripod" / f"T{number:03}.DNG", frame, shutter, 100.0 / (shutter * 30), number)
    for shutter in shutters:
        for _ in range(each):
            number += 1
            motion = sample_motion(draw_motion(Hands(), 1, rng), shutter, FOCAL_MM, PITCH_UM)
            path = np.stack([motion.x_px, motion.y_px, motion.weight])
            how = Taken(
                shift_px=(float(rng.normal(0, 8)), float(rng.normal(0, 8))),
                turn_deg=float(rng.normal(0, 0.4)),
                snr=45.0,
                seed=1000 * seed + number,
            )
            name = f"handheld/H{number:03}.DNG" if tripod else f"H{number:03}.DNG"
            write_frame(folder / name, take(scene, path, how), shutter, 100.0 / (shutter * 30), number)
            truth[name] = true_streak(path)
    return truth
