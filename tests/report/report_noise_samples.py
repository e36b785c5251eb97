"""The noise section of `curves.json` in full, from closed formulas for a made-up body: photon transfer, linearity, what
ISO means, SNR against exposure, spectrum, light, thumbnails, dark current, developed frames.

ISO 100 to 12800 are amplified, from 800 on by a second stage; 25600 is 12800 doubled by computing. The camera is
quarter of a stop slower at ISO 200 than its label says, and its 1/1000 s is a tenth of a stop too long.
"""

from __future__ import annotations

import base64
import math
import random
import struct
import zlib
from collections.abc import Callable
from itertools import pairwise
from typing import Any

ISOS = tuple(100 * 2**k for k in range(9))
HIGHEST_AMPLIFIED = 12_800
FULL_DN = 13_800
NOT_WHITE_FROM = 6400


def gain(iso: float) -> float:
    return 5.2 * 100 / iso


def png(width: int, height: int, grey: Callable[[int, int], int]) -> str:
    """Return a small grey picture as base64: PNG, 8 bits, one channel (ISO/IEC 15948)."""

    def chunk(name: bytes, content: bytes) -> bytes:
        return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))

    rows = b"".join(b"\0" + bytes(max(0, min(255, grey(y, x))) for x in range(width)) for y in range(height))
    content = (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
        + chunk(b"IDAT", zlib.compress(rows))
        + chunk(b"IEND", b"")
    )
    return base64.b64encode(content).decode("ascii")


def bands(y: int, x: int) -> int:
    return round(128 + 60 * math.sin(y / 6) + 12 * math.sin(12.9898 * x + 78.233 * y))


def spots(y: int, x: int) -> int:
    return 60 if (y - 40) ** 2 + (x - 50) ** 2 < 90 or (y - 70) ** 2 + (x - 120) ** 2 < 40 else 150


def fill_points(points: list[dict[str, Any]]) -> None:
    """Add the fields that photon transfer, averages and both dynamic ranges give to each point."""
    for point in points:
        g, read, full = gain(point["iso"]), point["read_noise_e"], point["saturation_e"]
        black = math.sqrt(read**2 + g**2 / 12)
        faintest = (1 + math.sqrt(1 + 4 * black**2)) / 2  # where S / sqrt(S + black^2) is 1
        point |= {
            "saturation_e_stderr": 0.003 * full,
            "saturation_source": "flats" if point["iso"] == 100 else "file",
            "read_noise_dn": read / g,
            "dynamic_range_stops_stderr": 0.02,
            "dynamic_range_iso15739_stops": math.log2(full / faintest),
            "snr_midgrey_stderr": 0.004 * point["snr_midgrey"],
            "prnu": 0.0061,
            "prnu_stderr": 0.0002,
            "dsnu_e": 0.8 + 0.1 * g,
            "dsnu_e_stderr": 0.05,
            "row_noise_e": 0.21,
            "row_noise_e_stderr": 0.02,
            "column_noise_e": 0.05 if point["iso"] > 100 else None,
            "column_noise_e_stderr": 0.02,
            "code_scale": 2.0 if point["iso"] > HIGHEST_AMPLIFIED else 1.0,
        }


def photon_transfer(read_noise: Callable[[float], float]) -> list[dict[str, Any]]:
    chance = random.Random(5)
    rows: list[dict[str, Any]] = []
    for iso in ISOS:
        for channel in ("G", "R"):
            floor = (read_noise(iso) / gain(iso)) ** 2 + 1 / 12
            levels = (0.1, 0.3, 0.7, 0.97) if iso in (100, 800) else (0.3,)
            for share in levels:
                level = share * FULL_DN
                variance = (floor + level / gain(iso)) * (1 + chance.gauss(0, 0.004))
                left_out = share > 0.9
                rows.append(
                    {
                        "iso": iso, "channel": channel, "kind": "flat", "level_dn": level,
                        "variance_dn2": variance * (0.4 if left_out else 1.0), "variance_stderr_dn2": 0.004 * variance,
                        "used": not left_out, "reason": "clipped" if left_out else "",
                    }
                )  # fmt: skip
            rows.append(
                {
                    "iso": iso, "channel": channel, "kind": "dark", "level_dn": 0.0, "variance_dn2": floor,
                    "variance_stderr_dn2": 0.01 * floor, "used": True, "reason": "",
                }
            )  # fmt: skip
    return rows


def linearity() -> list[dict[str, Any]]:
    shares = (0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 0.95)
    return [
        {
            "iso": iso,
            "channel": "G",
            "exposure_s": [share / 60 for share in shares],
            "level_dn": [share * FULL_DN for share in shares],
            "departure": [size * (share - share**3) - 0.0008 for share in shares],
            "departure_stderr": [0.0004] * len(shares),
            "error_max": 0.385 * size,
            "error_max_stderr": 0.0005,
            "error_mean": 0.2 * size,
            "error_mean_stderr": 0.0002,
            "text": "straight within 1 % up to 95 % of the range",
        }
        for iso, size in ((100, 0.012), (800, 0.004))
    ]


def iso_meaning() -> dict[str, Any]:
    values = []
    for iso in (*ISOS[:-1], 25_600):
        made = "pushed" if iso > HIGHEST_AMPLIFIED else "amplified"
        off = -0.25 if iso == 200 else 0.02
        values.append(
            {
                "iso": iso, "relative_stops": math.log2(iso / 100) + off, "relative_stops_stderr": 0.011,
                "labelled_stops": math.log2(iso / 100), "departure_stops": off, "departure_stderr": 0.011,
                "kind": made, "made_from_iso": 12_800 if made == "pushed" else None,
                "text": "your ISO 25600 is ISO 12800 pushed by 1.0 stop" if made == "pushed" else "",
            }
        )  # fmt: skip
    return {
        "base_iso": 100,
        "values": values,
        "shutter": [
            {"shutter_s": 1 / 1000, "departure_stops": 0.10, "stderr_stops": 0.01},
            {"shutter_s": 1 / 60, "departure_stops": -0.004, "stderr_stops": 0.01},
        ],
        "aperture": [{"f_number": 8.0, "departure_stops": -0.08, "stderr_stops": 0.02}],
        "light_drift_stops": 0.013,
        "text": "Your ISO 25600 is ISO 12800 pushed by 1.0 stop. Your ISO 200 is 0.25 stops less sensitive than its "
        "label says, against ISO 100. The light moved by 0.013 stops between frames of one setting.",
    }


def snr_against_exposure(read_noise: Callable[[float], float]) -> list[dict[str, Any]]:
    found = []
    for iso in ISOS:
        full = gain(iso) * FULL_DN
        black = math.sqrt(read_noise(iso) ** 2 + gain(iso) ** 2 / 12)
        stops = [k / 3 for k in range(45)]
        snr = [s / math.sqrt(s + black**2) for s in (full / 2**stop for stop in stops)]
        found.append(
            {
                "iso": iso, "stops_below_saturation": stops, "snr": snr, "low": [0.98 * v for v in snr],
                "high": [1.02 * v for v in snr],
            }
        )  # fmt: skip
    return found


def spectrum() -> list[dict[str, Any]]:
    frequency = [0.25 * k / 16 for k in range(1, 17)]
    return [
        {
            "iso": iso, "channel": "G", "frequency_cy_per_px": frequency, "white": iso < NOT_WHITE_FROM,
            "relative_power": [1.0 + (0.0 if iso < NOT_WHITE_FROM else 0.5) * math.exp(-f / 0.05) for f in frequency],
        }
        for iso in ISOS
    ]  # fmt: skip


def shadow(read_noise: Callable[[float], float]) -> dict[str, Any]:
    table = [
        {"from_iso": low, "iso": high, "shadow_gain_stops": math.log2(read_noise(low) / read_noise(high)),
         "shadow_gain_stops_stderr": 0.02, "highlight_price_stops": 1.0, "highlight_price_stops_stderr": 0.006,
         "digital": high > HIGHEST_AMPLIFIED}
        for low, high in pairwise(ISOS)
    ]  # fmt: skip
    return {
        "stops_wanted": 0.33, "iso": 800, "iso_ci": [760.0, 860.0], "table": table,
        "text": "Above ISO 800 (95 % interval 760 to 860), raising ISO in the camera cleans the shadows by less than "
        "0.33 stop in all: brightening later does nearly as well, and each stop of ISO costs about one of highlights.",
    }  # fmt: skip


def lights() -> list[dict[str, Any]]:
    return [
        {
            "light": "daylight", "source": "measured", "red_over_green": 0.52, "blue_over_green": 0.71, "iso": 21_300.0,
            "iso_dial": 20_000.0, "ci_low": 20_500.0, "ci_high": 22_200.0,
            "at_least": False, "snr_definition": "SNR of the white-balanced picture in colour", "text": None,
        },
        {
            "light": "tungsten", "source": "estimated", "red_over_green": 0.93, "blue_over_green": 0.31,
            "iso": 11_900.0, "iso_dial": 10_000.0, "ci_low": 11_000.0, "ci_high": 13_000.0,
            "at_least": False, "snr_definition": "SNR of the white-balanced picture in colour",
            "text": "in lamp light ISO 10000 instead of 20000, because blue is starved by 1.7 stops against green",
        },
    ]  # fmt: skip


def pictures() -> list[dict[str, Any]]:
    common = {
        "role": "flat",
        "colour": "G",
        "width_px": 160,
        "height_px": 106,
        "range": "over its shading: black is -31 DN",
    }
    return [
        {
            **common, "files": ["A24_00400_flat0.DNG", "A24_00400_flat9.DNG"], "flags": ["flicker", "uneven-light"],
            "kind": "difference", "iso": 400, "png": png(160, 106, bands),
        },
        {
            **common, "files": ["A24_00800_flat0.DNG"], "flags": ["textured"], "kind": "frame", "iso": 800,
            "png": png(160, 106, spots),
        },
    ]  # fmt: skip


def laboratory_noise(noise: dict[str, Any], read_noise: Callable[[float], float]) -> dict[str, Any]:
    """Return the noise section with everything that a full run adds to points and fit."""
    fill_points(noise["points"])
    avoid = [
        {
            "iso": 25_600, "reason": "digital", "instead_iso": 12_800,
            "text": "Avoid ISO 25600: it is ISO 12800 doubled by computing; use ISO 12800 and brighten later.",
        }
    ]  # fmt: skip
    fit = {**noise["fit"], "shadow": shadow(read_noise), "avoid": avoid}
    return {
        "points": noise["points"],
        "fit": fit,
        "photon_transfer": photon_transfer(read_noise),
        "linearity": linearity(),
        "iso_meaning": iso_meaning(),
        "snr_against_exposure": snr_against_exposure(read_noise),
        "spectrum": spectrum(),
        "lights": lights(),
        "pictures": pictures(),
        "developed": None,
        "dark_current": None,
    }


def dark_current() -> dict[str, Any]:
    """A series at ISO 800: 0.5 e-/s by the noise; the camera takes half of the rise in level away."""
    g, rate, read_dn = 0.65, 0.5, 2.4
    points = []
    for k, time in enumerate((1 / 128, 1.0, 4.0, 16.0, 32.0, 120.0)):
        points.append(
            {
                "exposure_s": time, "level_dn": 512 + 0.5 * rate * time / g, "level_stderr_dn": 0.03,
                "variance_dn2": read_dn**2 + 1 / 12 + rate * time / g**2, "variance_stderr_dn2": 0.05 + 0.004 * time,
                "dsnu_dn": 1.2, "hot_pixels": 40 * k, "hot_pixels_per_mp": 12.5 * k, "flags": [],
            }
        )  # fmt: skip
    return {
        "iso": 800, "gain_e_per_dn": g, "gain_e_per_dn_stderr": 0.002, "read_noise_dn": read_dn, "points": points,
        "rate_e_per_s": 0.25, "rate_stderr": 0.002, "rate_from_variance_e_per_s": 0.5,
        "rate_from_variance_stderr": 0.004, "route": "variance", "best_rate_e_per_s": 0.5, "best_rate_stderr": 0.004,
        "level_slope_dn_per_s": 0.25 / g, "level_slope_stderr": 0.003, "variance_slope_dn2_per_s": 0.5 / g**2,
        "variance_slope_stderr": 0.01, "frame_noise_dn": 0.01, "rate_change": 0.01, "rate_change_stderr": 0.02,
        "colours": [],
        "hot_pixels": [{"x": 1200, "y": 33, "rate_e_per_s": 410.0, "excess_e": 6560.0, "exposure_s": 16.0}],
        "hot_pixel_definition": "hot: more than 10 read noises above its neighbours",
        "text": "Dark current: by the level 0.250 ± 0.002 e-/s, by the noise 0.500 ± 0.004 e-/s per pixel.",
        "flags": [],
    }  # fmt: skip


def developed() -> dict[str, Any]:
    """Pictures at four ISO values, the lowest cleaner than the file's codes; noise reduction above ISO 100."""
    frequency = [(k + 0.5) / 32 for k in range(16)]
    points: list[dict[str, Any]] = []
    spectra: list[dict[str, Any]] = []
    detail: list[dict[str, Any]] = []
    for iso in (100, 400, 1600, 6400):
        known = iso > 100
        noise = 0.001 * math.sqrt(iso) if known else None
        points.append(
            {
                "iso": iso, "level": 0.18, "snr_midgrey": 1 / noise if noise else None,
                "snr_midgrey_stderr": 0.01 / noise if noise else None, "snr_at_least": None if known else 110.0,
                "luminance_noise": noise, "luminance_noise_stderr": 0.01 * noise if noise else None,
                "luminance_bound": None if known else 0.0091, "red_noise": noise, "red_noise_stderr": 0.0003,
                "red_bound": None, "blue_noise": None, "blue_noise_stderr": None, "blue_bound": 0.0091,
                "noise_power_low": 0.57 if known else None, "flags": ["rendered"],
            }
        )  # fmt: skip
        if known:
            power = [6.0 * math.exp(-f / 0.06) for f in frequency]
            spectra.append(
                {"iso": iso, "channel": "Y", "frequency_cy_per_px": frequency, "relative_power": power, "white": False}
            )
            detail.append(
                {
                    "iso": iso, "reference_iso": 100, "low_cy_per_px": 0.25, "high_cy_per_px": 0.5,
                    "kept": 0.46 if iso < 6400 else None, "kept_stderr": 0.01, "kept_at_most": 0.05, "flags": [],
                }
            )  # fmt: skip
    text = "At ISO 6400 one pixel's brightness varies by 8 % of its level; 57 % of it is coarse."
    return {"points": points, "spectrum": spectra, "detail": detail, "text": text}
