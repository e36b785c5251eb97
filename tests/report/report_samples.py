"""Run folders as other parts of the program leave them, built from closed formulas with made-up kits."""

from __future__ import annotations

import csv
import json
import math
import random
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from report_noise_samples import dark_current, developed, laboratory_noise
from report_sharpness_samples import laboratory_sharpness

TITLES = {
    "noise-ladder": "Noise against ISO",
    "aperture-sweep": "Sharpness against f-number",
    "handheld-shutter": "Blur against shutter speed",
    "practice-shutter": "Practice: shutter speed",
}
COLUMNS = (
    "file",
    "sha256",
    "taken_at",
    "body",
    "lens",
    "iso",
    "shutter_s",
    "f_number",
    "focal_mm",
    "step",
    "role",
    "status",
    "flags",
    "reason",
)
KIT = {
    "body": "Aldous 24",
    "lens": "Aldous 50 mm f/1.8",
    "focal_mm": 50,
    "pixel_pitch_um": 4.3,
    "height_px": 4000,
    "width_px": 6000,
}


def frame(file: str, **given: Any) -> dict[str, Any]:
    row = {
        "file": file,
        "sha256": f"{zlib.crc32(file.encode()):064x}"[:64],
        "taken_at": "2026-03-14T10:20:30",
        "body": "Aldous 24",
        "lens": "Aldous 50 mm f/1.8",
        "iso": 100,
        "shutter_s": 1 / 60,
        "f_number": 5.6,
        "focal_mm": 50,
        "step": "",
        "role": "",
        "status": "used",
        "flags": "",
        "reason": "",
    }
    return row | given


def run_record(protocol: str, **given: Any) -> dict[str, Any]:
    record = {
        "schema": 2,
        "kitgauge_version": "0.1.0",
        "protocol": {
            "id": protocol,
            "title": TITLES.get(protocol),
            "sha256": "6f1c" * 16,
        },
        "cautions": ["Let hot lamps cool before you move them."],
        "measures": "noise",
        "kit": KIT,
        "settings": {
            "frames": "frames",
            "criteria": {"snr": 10.0, "keep": 0.8},
            "technique": "standing",
            "settings_file": None,
            "pitch_um": None,
            "body": None,
            "lens": None,
            "focal_mm": None,
        },
        "versions": {"numpy": "2.4.0", "scipy": "1.17.0", "rawpy": "0.28.0", "libraw": "0.22.2"},
        "started_at": "2026-03-14T11:00:00+00:00",
        "stopped_at": "2026-03-14T11:00:42+00:00",
        "status": "complete",
        "reason": "",
        "notes": [],
        "frames": {"used": 1, "rejected": 0, "unmatched": 0},
        "frames_decoded": 36,
        "not_frames": {},
    }
    return record | given


def write_run(
    folder: Path, run: dict[str, Any], curves: dict[str, Any] | None, frames: list[dict[str, Any]] | None
) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "run.json").write_text(json.dumps(run), encoding="utf-8")
    if curves is not None:
        (folder / "curves.json").write_text(json.dumps(curves), encoding="utf-8")
    if frames is not None:
        with (folder / "frames.csv").open("w", encoding="utf-8", newline="") as stream:
            writer = csv.DictWriter(stream, COLUMNS)
            writer.writeheader()
            writer.writerows(frames)
    return folder


def curves_record(protocol: str, **given: Any) -> dict[str, Any]:
    empty = {"noise": None, "sharpness": None, "blur": None, "limits": []}
    return {"schema": 1, "kit": KIT, "protocol": protocol, **empty, **given}


def parameters(**given: tuple[float, float | None, str]) -> dict[str, Any]:
    return {name: {"value": v, "stderr": e, "unit": u} for name, (v, e, u) in given.items()}


def band(x: list[float], y: Callable[[float], float], share: float) -> dict[str, list[float]]:
    return {
        "x": x,
        "y": [y(v) for v in x],
        "low": [(1 - share) * y(v) for v in x],
        "high": [(1 + share) * y(v) for v in x],
    }


# ---- noise ----


def read_noise(iso: float, channel_factor: float = 1.0) -> float:
    gain = 5.2 * 100 / iso
    first = 2.9 if iso < 640 else 1.35
    return channel_factor * math.hypot(first, 1.1 * gain)


def noise_run(folder: Path, *, laboratory: bool = True, **changes: Any) -> Path:
    """Write a noise run; `laboratory=False` leaves it as the first version of the program wrote it."""
    chance = random.Random(7)
    points, frames = [], []
    isos = [100 * 2**k for k in range(9)]
    for iso in isos:
        for channel, factor in (("R", 1.01), ("G1", 1.0), ("G2", 0.995), ("B", 1.02), ("G", 1.0)):
            gain = 5.2 * 100 / iso
            full = gain * 13_800
            noise = read_noise(iso, factor) * (1 + chance.gauss(0, 0.01))
            middle = full * 10 / 78
            points.append(
                {
                    "iso": iso,
                    "channel": channel,
                    "gain_e_per_dn": gain * (1 + chance.gauss(0, 0.003)),
                    "gain_e_per_dn_stderr": 0.003 * gain,
                    "read_noise_e": noise,
                    "read_noise_e_stderr": 0.012 * noise,
                    "saturation_e": full,
                    "dynamic_range_stops": math.log2(full / noise),
                    "snr_midgrey": middle / math.sqrt(middle + noise**2),
                    "flags": [],
                }
            )
        for role in ("flat", "dark"):
            for k in range(2):
                frames.append(frame(f"A24_{iso:05d}_{role}{k}.DNG", iso=iso, role=role, step=f"{role} ISO {iso}"))
    points[-1]["flags"] = ["missing-codes"]
    points[5]["read_noise_e_stderr"] = None
    frames[4] |= {"status": "rejected", "flags": "clipped"}
    frames += [
        frame("A24_00400_flat9.DNG", iso=400, role="flat", step="flat ISO 400", flags="flicker uneven-light"),
        frame("A24_lunch.DNG", iso=64, status="unmatched", reason="its ISO 64 is on no step of the protocol"),
    ]
    x = [100 * 2 ** (k / 6) for k in range(49)]

    def snr(iso: float) -> float:
        middle = 5.2 * 100 / iso * 13_800 * 10 / 78
        return middle / math.sqrt(middle + read_noise(iso) ** 2)

    fit = {
        "model": "sigma_r^2 = sigma_0^2 + (sigma_1 g)^2, two stages",
        "channel": "G",
        "parameters": parameters(
            sigma_0_low_iso=(2.9, 0.03, "e-"), sigma_0_high_iso=(1.35, 0.012, "e-"), sigma_1=(1.1, 0.01, "DN")
        ),
        "covariance": [[9e-4, 0, -1e-4], [0, 1.44e-4, 0], [-1e-4, 0, 1e-4]],
        "gain": {
            "model": "g = k / ISO, two stages",
            "covariance": [[1.0, 0.0], [0.0, 1.0]],
            "parameters": parameters(k_low_iso=(520.0, 1.0, "e-/DN"), k_high_iso=(520.0, None, "e-/DN")),
        },
        "dual_gain_iso": 800,
        "invariance_iso": 1600,
        "degrees_of_freedom": 6,
        "reduced_chi_square": 0.94,
        "points_used": 9,
        "points_dropped": ["ISO 25600: missing codes"],
        "converged": True,
        "at_bound": [],
        "message": "",
        "errors_rescaled": False,
        "evidence": {"aicc_one_stage": 812.3, "aicc_two_stages": 21.7},
        "invariance_text": "above ISO 1600, a higher ISO lowers read noise by less than 0.33 stop",
        "curves": {
            "read_noise_e": band(x, read_noise, 0.015),
            "snr_midgrey": band(x, snr, 0.01),
        },
    }
    limit = {
        "kind": "iso",
        "iso": 25_870.0,
        "iso_dial": 25_600.0,
        "ci_low": 24_900.0,
        "ci_high": 26_900.0,
        "stderr_stops": 0.03,
        "criterion": {"snr": 10.0, "output_mp": 8.0},
        "lens": None,
        "focal_mm": None,
        "technique": None,
        "region": None,
        "flags": [],
        "at_least": False,
        "channel": "G",
        "snr_pixel": 10 / math.sqrt(24 / 8),
        "text": "Up to ISO 25600 a mid-grey of an 8-megapixel picture keeps a signal-to-noise ratio of 10.",
    }
    noise: dict[str, Any] = {"points": points, "fit": fit}
    if laboratory:
        noise = laboratory_noise(noise, read_noise)
    curves = curves_record("noise-ladder", noise=noise, limits=[limit])
    run = run_record(
        "noise-ladder",
        status="partial",
        reason="flat ISO 200 has one frame; no frames at ISO 51200",
        missing=["flat ISO 200 has one frame", "no frames at ISO 51200"],
        not_frames={"notes.txt": "no picture file"},
        notes=["ISO 25600 is scaled digitally"],
    )
    return write_run(folder, run | changes, curves, frames)


# ---- sharpness ----

PLACES = {
    "centre": (0.5, 0.5),
    "left": (0.12, 0.5),
    "right": (0.88, 0.5),
    "top": (0.5, 0.13),
    "bottom": (0.5, 0.87),
    "top-left": (0.12, 0.14),
    "top-right": (0.88, 0.14),
    "bottom-left": (0.12, 0.86),
    "bottom-right": (0.88, 0.86),
}
F_NUMBERS = tuple(2 ** (k / 2) for k in range(2, 10))


def half_contrast(f_number: float, sigma_px: float) -> float:
    """MTF50 [cycles/pixel] of diffraction (0.55 um), a 4.3 um square pixel and a Gaussian, by bisection."""
    low, high = 0.0, 1.0
    for _ in range(40):
        nu = (low + high) / 2
        s = min(1.0, 0.55 * f_number * nu / 4.3)
        diffraction = 2 / math.pi * (math.acos(s) - s * math.sqrt(1 - s * s))
        pixel = math.sin(math.pi * nu) / (math.pi * nu)
        value = diffraction * pixel * math.exp(-2 * (math.pi * sigma_px * nu) ** 2)
        low, high = (nu, high) if value > 0.5 else (low, nu)
    return low


def mtf50(f_number: float, softness: float) -> float:
    return half_contrast(f_number, math.hypot(0.22, softness * (1.8 / f_number) ** 1.2))


def sharpness_run(folder: Path, *, laboratory: bool = True) -> Path:
    """Write a sharpness run; `laboratory=False` leaves it as the first version of the program wrote it."""
    chance = random.Random(3)
    points, frames, fit = [], [], {}
    x = [2 ** (k / 12) for k in range(11, 56)]
    for region, (x_norm, y_norm) in PLACES.items():
        softness = 0.4 if region == "centre" else 0.55 if "-" not in region else 0.75
        softness *= 1.4 if region == "bottom-right" else 1.0
        for f_number in F_NUMBERS:
            for orientation, factor in (("horizontal", 0.985), ("vertical", 1.015)):
                value = factor * mtf50(f_number, softness) * (1 + chance.gauss(0, 0.006))
                points.append(
                    {
                        "f_number": f_number,
                        "region": region,
                        "x_norm": x_norm + (0.02 if factor < 1 else -0.02),
                        "y_norm": y_norm,
                        "orientation": orientation,
                        "channel": "G",
                        "mtf50_cy_per_px": value,
                        "mtf50_cy_per_px_stderr": 0.004,
                        "frames": 2,
                        "flags": [],
                    }
                )
        model = [mtf50(v, softness) for v in x]
        fit[region] = {
            "sharpest_f_number": 5.1,
            "sharpest_f_number_ci": [4.6, 5.9],
            "sharp_range": [3.1, 9.6],
            "parameters": (given := parameters(floor_px=(0.22, 0.006, "px"), aberration_px=(0.1, None, "px"))),
            "fit": {
                "model": "diffraction x pixel x normal blur",
                "parameters": given,
                "points_used": 8,
                "degrees_of_freedom": 5,
                "reduced_chi_square": 1.1,
                "at_bound": ["aberration_px"],
                "evidence": {"reference_f_number": 6.7, "wavelength_um": 0.55, "pitch_um": 4.3},
            },
            "curve": {
                "f_number": x,
                "mtf50_cy_per_px": model,
                "mtf50_low_cy_per_px": [0.985 * v for v in model],
                "mtf50_high_cy_per_px": [1.015 * v for v in model],
            },
            "flags": [],
        }
    points[3] |= {"mtf50_cy_per_px": None, "mtf50_cy_per_px_stderr": None, "flags": ["edge-clipped"]}
    points[20] |= {"flags": ["low-contrast"], "excluded": True}
    for f_number in F_NUMBERS:
        for k in range(2):
            frames.append(
                frame(f"A24_f{f_number:.1f}_{k}.DNG", f_number=f_number, role="edge", step=f"f/{f_number:.2g}")
            )
    findings = [
        {
            "kind": "weak-corner",
            "region": "bottom-right",
            "size": -0.11,
            "unit": "of MTF50",
            "z": 5.2,
            "text": "The bottom-right corner is 11 % softer than the other corners.",
        }
    ]
    limits = [
        {
            "kind": "f_number",
            "f_number_low": 3.1,
            "f_number_high": 9.6,
            "f_number_low_dial": 3.2,
            "f_number_high_dial": 9.0,
            "ci_low": 2.9,
            "ci_high": 10.1,
            "criterion": {"mtf50_fraction": 0.9},
            "lens": "Aldous 50 mm f/1.8",
            "focal_mm": 50,
            "technique": None,
            "region": region,
            "flags": [],
            "text": f"From f/3.2 to f/9 the {region} keeps 90 % of its best sharpness.",
        }
        for region in ("centre", "whole frame")
    ]
    sharpness: dict[str, Any] = {"points": points, "fit": fit, "findings": findings}
    if laboratory:
        sharpness = laboratory_sharpness(sharpness, KIT, F_NUMBERS)
    curves = curves_record("aperture-sweep", sharpness=sharpness, limits=limits)
    return write_run(folder, run_record("aperture-sweep"), curves, frames)


# ---- blur ----


def blur_run(folder: Path, frames_per_speed: int = 10) -> Path:
    chance = random.Random(11)
    rows, frames = [], []
    speeds = [1 / 256, 1 / 128, 1 / 64, 1 / 32, 1 / 16, 1 / 8, 1 / 4]
    for shutter_s in speeds[:1]:
        for k in range(3):
            name = f"A24_tripod_{k}.DNG"
            rows.append(
                {
                    "file": name,
                    "shutter_s": shutter_s,
                    "role": "tripod",
                    "streak_px": 0.25,
                    "streak_px_stderr": 0.1,
                    "streak_um": 1.1,
                    "streak_mrad": 0.02,
                    "direction_deg": None,
                    "censored": None,
                    "flags": [],
                }
            )
            frames.append(frame(name, shutter_s=shutter_s, role="tripod", step="tripod"))
    for shutter_s in speeds:
        for k in range(frames_per_speed):
            name = f"A24_{round(1 / shutter_s):03d}_{k:03d}.DNG"
            streak = 60 * shutter_s**0.9 * math.sqrt(-2 * math.log(1 - chance.random()))
            censored = "below" if streak < 0.6 else "above" if streak > 26 else None
            bound = {"below": 0.6, "above": 26.0}.get(censored or "")
            rows.append(
                {
                    "file": name,
                    "shutter_s": shutter_s,
                    "role": "handheld",
                    "streak_px": None if censored else streak,
                    "streak_px_stderr": None if censored else 0.05 + 0.02 * streak,
                    "streak_um": None if censored else 4.3 * streak,
                    "streak_mrad": None if censored else 0.086 * streak,
                    "direction_deg": None if censored else chance.uniform(-90, 90),
                    "censored": censored,
                    "bound_px": bound or 0.6,
                    "flags": {"below": ["below-floor"], "above": ["too-blurred"]}.get(censored or "", []),
                }
            )
            frames.append(frame(name, shutter_s=shutter_s, role="handheld", step=f"handheld 1/{round(1 / shutter_s)}"))
    rows[8] |= {"streak_px": None, "streak_px_stderr": None, "censored": None, "flags": ["no-edge"]}
    frames[8] |= {"status": "rejected", "flags": "no-edge"}
    x = [2 ** (-8 + k / 8) for k in range(49)]

    def keep(t: float, factor: float = 1.0) -> float:
        return 1 - math.exp(-0.5 * (4.8 / (60 * factor * t**0.9)) ** 2)

    fit = {
        "model": "streak = s(t) u, log s linear in log t, Rayleigh",
        "parameters": parameters(ln_scale=(math.log(60 / 32**0.9), 0.06, "ln px"), slope=(0.9, 0.05, "")),
        "covariance": [[0.0036, 0.0], [0.0, 0.0025]],
        "distribution": "rayleigh",
        "reference_shutter_s": 1 / 32,
        "fastest_s": 1 / 256,
        "slowest_s": 1 / 4,
        "counts": {"measured": 46, "below": 16, "above": 7},
        "degrees_of_freedom": 68,
        "reduced_chi_square": None,
        "points_used": 70,
        "evidence": {"aicc_rayleigh": 402.1, "aicc_weibull": 403.6},
        "curves": {
            "keep_rate": {
                "x": x,
                "y": [keep(t) for t in x],
                "low": [keep(t, 1.13) for t in x],
                "high": [keep(t, 0.88) for t in x],
            },
            "streak_px": band(x, lambda t: 60 * t**0.9 * 1.177, 0.1),
        },
    }
    limit_s = (4.8 / 60 / math.sqrt(-2 * math.log(0.2))) ** (1 / 0.9)
    blur = {
        "frames": rows,
        "fit": fit,
        "limits": [
            {
                "keep": q,
                "streak_limit_px": 4.8,
                "shutter_s": (t := (4.8 / 60 / math.sqrt(-2 * math.log(1 - q))) ** (1 / 0.9)),
                "ci_low_s": t / 1.15,
                "ci_high_s": t * 1.15,
            }
            for q in (0.5, 0.8, 0.9)
        ],
        "next": [{"shutter_s": 1 / 64, "frames": 8}, {"shutter_s": 1 / 32, "frames": 6}],
    }
    limit = {
        "kind": "shutter",
        "shutter_s": limit_s,
        "shutter_s_dial": 1 / 50,
        "ci_low": limit_s / 1.15,
        "ci_high": limit_s * 1.15,
        "criterion": {"streak_px": 4.8, "keep": 0.8},
        "lens": "Aldous 50 mm f/1.8",
        "focal_mm": 50,
        "technique": "standing",
        "region": None,
        "flags": [],
        "text": "Standing, at 50 mm, 80 % of your frames are sharp at 1/50 s or faster.",
    }
    curves = curves_record("handheld-shutter", blur=blur, limits=[limit])
    return write_run(folder, run_record("handheld-shutter"), curves, frames)


# ---- practice ----


def practice_run(folder: Path) -> Path:
    rows, frames = [], []
    for level, shutter_s in enumerate((1 / 250, 1 / 60, 1 / 15, 1 / 4)):
        name = f"A24_level{level}.DNG"
        step = f"level {level + 1}"
        frames.append(frame(name, shutter_s=shutter_s, role="scene", step=step))
        rows.append(
            {
                "file": name,
                "step": step,
                "role": "scene",
                "iso": 100,
                "shutter_s": shutter_s,
                "f_number": 5.6,
                "settings_ev100": 6.1 + level,
                "level_stops_below_saturation": None if level == 3 else 2.5 - level,
                "clipped_share": 0.01 * level,
                "near_black_share": 0.0,
                "flags": [],
            }
        )
    curves = curves_record("practice-shutter", practice={"setting": "shutter_s", "frames": rows})
    return write_run(folder, run_record("practice-shutter", measures="practice"), curves, frames)


# ---- noise by other protocols ----


def dark_run(folder: Path) -> Path:
    frames = [
        frame(f"A24_dark{k}.DNG", iso=800, shutter_s=time, role="dark", step=f"dark {time:g} s")
        for k, time in enumerate((1 / 128, 1.0, 4.0, 16.0, 32.0, 120.0))
    ]
    noise = {"points": [], "fit": None, "dark_current": dark_current()}
    run = run_record("dark-current", title="Dark current")
    return write_run(folder, run, curves_record("dark-current", noise=noise), frames)


def developed_run(folder: Path) -> Path:
    pictures = developed()
    points = [
        {key: p.get(key) for key in ("iso", "snr_midgrey", "snr_midgrey_stderr", "flags")} | {"channel": "Y"}
        for p in pictures["points"]
    ]
    frames = [frame(f"A24_{p['iso']}.JPG", iso=p["iso"], role="flat", step="flat", flags="rendered") for p in points]
    noise = {"points": points, "fit": None, "spectrum": [], "developed": pictures, "dark_current": None}
    limit = {
        "kind": "iso", "iso": 6400.0, "iso_dial": 6400.0, "ci_low": 6100.0, "ci_high": None, "flags": ["rendered"],
        "criterion": {"snr": 10.0, "print_long_side_cm": 30.0, "viewing_distance_cm": 50.0}, "at_least": True,
        "channel": "Y", "snr_pixel": 8.0, "text": "Noise is acceptable up to ISO 6400, for this picture style only.",
    }  # fmt: skip
    return write_run(folder, run_record("noise-ladder"), curves_record("noise", noise=noise, limits=[limit]), frames)
