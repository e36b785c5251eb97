"""Everyday frames with known blur and exposure, written as DNG files, with a JPEG beside them where asked."""

from __future__ import annotations

import sys
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from PIL import Image

from kitgauge.simulate.dng import RecordedSettings, write_dng

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))
from everyday_scenes import BLACK_DN, WHITE_DN, Blur, blurred, draw, sensor

SHAPE = (400, 600)
MAKE, MODEL, LENS = "Invented", "Box", "Invented 85 mm"
RED, BLUE = 0.5, 0.65  # of green


def scene(kind: str, blur: Blur, seed: int = 5, shape: tuple[int, int] = SHAPE):
    return blurred(draw(kind, shape, seed), blur)


def write_frame(
    path: Path, light, *, level=1.0, iso=800.0, shutter_s=1 / 30, f_number=4.0, full_well_e=20_000.0, minute=0, **how
) -> Path:
    """Write the light (row, column) as a Bayer frame; red and blue are fainter by fixed factors."""
    samples = sensor(light, 1, level=level, full_well_e=full_well_e).astype(float) - BLACK_DN
    samples[0::2, 0::2] *= RED
    samples[1::2, 1::2] *= BLUE
    samples = np.clip(np.rint(samples + BLACK_DN), 0, WHITE_DN).astype(np.uint16)
    settings = RecordedSettings(
        make=MAKE, model=how.pop("model", MODEL), lens=LENS, iso=iso, shutter_s=shutter_s, f_number=f_number,
        focal_mm=85.0, taken_at=datetime(2026, 5, 1, 10) + timedelta(minutes=minute), pixel_pitch_um=4.0, **how,
    )  # fmt: skip
    path.parent.mkdir(parents=True, exist_ok=True)
    write_dng(path, samples, (("R", "G"), ("G", "B")), BLACK_DN, int(WHITE_DN), settings)
    return path


def write_jpeg(path: Path, light, *, gain=1.0, minute=0, settings=True) -> Path:
    """Write the light times `gain` as a grey sRGB JPEG."""
    linear = np.clip(light * gain, 0.0, 1.0)
    value = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    block = Image.Exif()
    block[271], block[272] = MAKE, MODEL
    inner = block.get_ifd(0x8769)
    inner[36867] = (datetime(2026, 5, 1, 10) + timedelta(minutes=minute)).strftime("%Y:%m:%d %H:%M:%S")
    if settings:
        inner[34855], inner[33434], inner[33437] = 800, 1 / 30, 4.0
    path.parent.mkdir(parents=True, exist_ok=True)
    codes = np.repeat(np.rint(value * 255).astype(np.uint8)[..., None], 3, axis=2)
    Image.fromarray(codes).save(path, quality=97, subsampling=0, exif=block)
    return path
