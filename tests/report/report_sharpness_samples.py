"""What a sharpness run leaves for its figures and tables beyond points and fits, from closed formulas."""

from __future__ import annotations

import math
from typing import Any

from report_noise_samples import png

SIGMAS_PX = {"centre": 0.35, "bottom-right": 0.75}


def mtf_curve(f_number: float, region: str) -> dict[str, Any]:
    """Return diffraction (0.55 um), a 4.3 um square pixel and a normal blur, as the run writes a curve."""
    frequency = [k / 100 for k in range(51)]
    values = []
    for nu in frequency:
        s = min(1.0, 0.55 * f_number * nu / 4.3)
        diffraction = 2 / math.pi * (math.acos(s) - s * math.sqrt(1 - s * s))
        pixel = math.sin(math.pi * nu) / (math.pi * nu) if nu else 1.0
        values.append(diffraction * pixel * math.exp(-2 * (math.pi * SIGMAS_PX[region] * nu) ** 2))
    return {
        "f_number": f_number, "region": region, "edges": 8, "frequency_cy_per_px": frequency, "mtf": values,
        "mtf_stderr": [0.004] * len(frequency),
    }  # fmt: skip


def laboratory_sharpness(
    sharpness: dict[str, Any], kit: dict[str, Any], f_numbers: tuple[float, ...]
) -> dict[str, Any]:
    """Return the run with all units, MTF curves, crops, shifts of colours, halos and refused edges."""
    per_mm = 1000.0 / kit["pixel_pitch_um"]
    for point in sharpness["points"]:
        mtf50 = point["mtf50_cy_per_px"] or math.nan
        given = {"lp_per_mm": per_mm * mtf50, "line_widths_per_picture_height": 2 * kit["height_px"] * mtf50,
                 "mtf_half_nyquist": 0.5 + (mtf50 - 0.25)}  # fmt: skip
        for key, value in given.items():
            known = math.isfinite(value)
            point |= {key: value if known else None, f"{key}_stderr": 0.01 * value if known else None}
    for finding in sharpness["findings"]:
        finding |= {"probability": 3e-5, "size_stderr": 0.02, "f_number": None}
    chosen = (f_numbers[0], f_numbers[len(f_numbers) // 2], f_numbers[-1])
    crops = [
        {"f_number": f_number, "shutter_s": 1 / 60, "iso": 100, "file": f"A24_f{f_number:.1f}_0.DNG", "region": region,
         "orientation": "vertical", "x_px": 100.0, "y_px": 100.0, "width_px": 96, "height_px": 96,
         "png": png(96, 96, lambda x, y: 90 if x + 0.1 * y < 50 else 200)}
        for region in SIGMAS_PX
        for f_number in f_numbers
    ]  # fmt: skip
    places = [(x, y) for x in (0.12, 0.5, 0.88) for y in (0.14, 0.5, 0.86)]
    lateral = {
        channel: {
            "outermost_px": size,
            "places": [
                {"x_norm": x, "y_norm": y, "radial_px": size * math.hypot(x - 0.5, y - 0.5) / 0.53,
                 "tangential_px": 0.0}
                for x, y in places
            ],
        }
        for channel, size in (("R", 0.4), ("B", -0.6))
    }  # fmt: skip
    refused = [
        {"file": "A24_f2.0_0.DNG", "x_px": 600.0 * k, "y_px": 400.0 * k, "flags": [flag], "text": "why"}
        for k, flag in enumerate(("edge-short", "low-contrast", "edge-clipped"), 1)
    ]
    halo = [
        {"f_number": n, "overshoot": 0.12, "overshoot_stderr": 0.004, "undershoot": 0.05, "undershoot_stderr": 0.003,
         "edges": 36, "plain": True}
        for n in f_numbers
    ]  # fmt: skip
    return {
        **sharpness,
        "mtf_curves": [mtf_curve(f_number, region) for f_number in chosen for region in SIGMAS_PX],
        "crops": crops,
        "colour": {"lateral": lateral, "longitudinal": {}},
        "halo": halo,
        "edges_refused": refused,
    }
