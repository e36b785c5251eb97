"""Sound files to be damaged: small simulated frames, real ones where they are there, and every kind of text file."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

_TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [part for part in (str(_TESTS), str(_TESTS / "report")) if part not in sys.path]

from blur_run_folders import write_blur_run  # noqa: E402
from report_samples import blur_run, dark_run, developed_run, noise_run, practice_run, sharpness_run  # noqa: E402

from kitgauge.protocol.loading import shipped_protocols  # noqa: E402
from kitgauge.simulate.dng import BAYER_RGGB, MONOCHROME, RecordedSettings, write_dng  # noqa: E402

SHARED = _TESTS.parents[1] / "shared"
LARGEST_REAL_BYTES = 100_000
BLACK_DN, WHITE_DN = 256, 16000
_SETTINGS = RecordedSettings(
    make="Simulated", model="Sampler 8", body_serial="SIM-0001", lens="Sampler 14 mm f/1.8", iso=100, shutter_s=1 / 60,
    f_number=5.6, focal_mm=14, taken_at=datetime(2026, 5, 1, 12), utc_offset="+00:00", pixel_pitch_um=4.3,
)  # fmt: skip

LIMITS = """schema = 1

[[limit]]
kind = "iso"
body = "Simulated Sampler 8 #SIM-0001"
iso = 4500.0
stderr_stops = 0.1
ci_low = 4000.0
run = "noise-1"
accepted_at = 2026-05-01T12:00:00Z
criterion = { snr = 10.0, output_mp = 8.0 }

[[limit]]
kind = "shutter"
body = "Simulated Sampler 8 #SIM-0001"
shutter_s = 0.02
ci_low = 0.015
ci_high = 0.025
focal_mm = 50.0
lens = "Sampler 50 mm f/1.8"
technique = "standing"
run = "blur-1"
accepted_at = 2026-05-01
criterion = { streak_px = 5.0, keep = 0.8 }

[[limit]]
kind = "f_number"
body = "Simulated Sampler 8 #SIM-0001"
f_number_low = 2.8
f_number_high = 8.0
lens = "Sampler 50 mm f/1.8"
focal_mm = 50.0
region = "centre"
run = "sharpness-1"
accepted_at = 2026-05-01
criterion = { mtf50_fraction = 0.9 }
"""

SETTINGS_CSV = """file,iso,shutter_s,f_number,focal_mm,step
a.dng,100,1/60,5.6,50,flat
b.dng,200,0.5,"5,6",,dark
"sub folder/c.dng",400,30,f/8,35mm,
d.jpg,,,,,
"""
SETTINGS_FRAMES = ("a.dng", "b.dng", "sub folder/c.dng", "d.jpg")


def make_sources(folder: Path) -> None:
    """Write one subfolder per kind: frames, settings, protocol, limits, results, run."""
    _frames(folder / "frames")
    for name, text in (("settings", SETTINGS_CSV), ("limits", LIMITS)):
        (folder / name).mkdir(parents=True)
        (folder / name / f"{name}.{'csv' if name == 'settings' else 'toml'}").write_text(text, encoding="utf-8")
    (folder / "protocol").mkdir()
    for loaded in shipped_protocols():
        (folder / "protocol" / loaded.source.name).write_bytes(loaded.source.read_bytes())
    _results(folder / "results")
    make_noise_series(folder / "run")


def samples(shape: tuple[int, int], electrons: float, seed: int, gain: float = 2.0) -> np.ndarray:
    """Return samples [DN] of even light: photons, read noise, black in."""
    rng = np.random.default_rng(seed)
    signal = rng.poisson(electrons, shape) / gain + rng.normal(0, 4.0, shape) + BLACK_DN
    return np.clip(np.rint(signal), 0, WHITE_DN).astype(np.uint16)


def _frames(folder: Path) -> None:
    import cv2
    from PIL import Image

    folder.mkdir(parents=True)
    flat = samples((96, 128), 4000.0, 1)
    write_dng(folder / "plain.dng", flat, BAYER_RGGB, BLACK_DN, WHITE_DN, _SETTINGS)
    write_dng(folder / "lossless.dng", flat, BAYER_RGGB, BLACK_DN, WHITE_DN, _SETTINGS, compression="lossless")
    write_dng(folder / "mono.dng", flat, MONOCHROME, BLACK_DN, WHITE_DN, replace(_SETTINGS, orientation=6))
    write_dng(
        folder / "masked.dng", samples((96, 160), 4000.0, 2), BAYER_RGGB, BLACK_DN, WHITE_DN, _SETTINGS,
        active_area=(0, 32, 96, 160), masked_areas=[(0, 0, 96, 28)],
    )  # fmt: skip
    rng = np.random.default_rng(3)
    rows, columns = np.mgrid[0:120, 0:160]
    scene = 128 + 90 * np.sign(np.sin((columns + 0.1 * rows) / 9.0)) + rng.normal(0, 3, (120, 160))
    grey = np.clip(scene, 0, 255).astype(np.uint8)
    colour = np.dstack([grey, grey[::-1], np.roll(grey, 5, axis=1)])
    exif = Image.Exif()
    exif[271], exif[272], exif[274] = "Simulated", "Sampler 8", 6
    inner = exif.get_ifd(0x8769)
    inner.update({33434: (1, 60), 33437: (56, 10), 34855: 400, 36867: "2026:05:01 12:00:00", 37386: (50, 1)})
    Image.fromarray(colour).save(folder / "made.jpg", exif=exif, quality=90)
    Image.fromarray(grey).save(folder / "grey.png")
    Image.fromarray(colour).save(folder / "eight.tif", compression="tiff_lzw", exif=exif)
    wide = (colour.astype(np.uint16) << 8) + rng.integers(0, 256, colour.shape, dtype=np.uint16)
    cv2.imwrite(str(folder / "wide.png"), wide)
    cv2.imwrite(str(folder / "wide.tif"), wide)
    Image.fromarray(colour).save(folder / "progressive.jpg", progressive=True, exif=exif)
    real = SHARED / "real"
    if real.is_dir():
        chosen = [
            *sorted((real / "exif" / "headers").glob("*.jpg")),
            *sorted((real / "exif" / "cameras").glob("*.jpg")),
        ]
        for path in [*chosen, real / "old-compact" / "compact.kdc"]:
            if path.stat().st_size <= LARGEST_REAL_BYTES:
                (folder / f"real-{path.name}").write_bytes(path.read_bytes())


def _results(folder: Path) -> None:
    makers = (noise_run, sharpness_run, blur_run, dark_run, developed_run, practice_run)
    for make in makers:
        make(folder / make.__name__.replace("_", "-"))
    for number in (1, 2):
        write_blur_run(folder / f"hands-{number}", 0.02 * number, number, frames=3)


def make_noise_series(folder: Path, isos: Sequence[int] = (100, 200, 400)) -> None:
    """Two flats and two darks at each ISO; three ISO values make the smallest run that gives a fit."""
    folder.mkdir(parents=True)
    seed = 0
    for iso in isos:
        for role, electrons, shutter_s in (("flat", 8000.0 * 100 / iso, 1 / 60), ("dark", 0.0, 1 / 4000)):
            for number in (1, 2):
                seed += 1
                settings = replace(
                    _SETTINGS, iso=iso, shutter_s=shutter_s, taken_at=datetime(2026, 5, 1, 12) + timedelta(seconds=seed)
                )
                write_dng(
                    folder / f"{role}-{iso}-{number}.dng", samples((128, 192), electrons, seed, 200 / iso), BAYER_RGGB,
                    BLACK_DN, WHITE_DN, settings,
                )  # fmt: skip
