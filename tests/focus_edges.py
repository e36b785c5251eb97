"""Edges with a known MTF50 for tests of focusing: a square of four edges at a place, or several squares."""

from __future__ import annotations

import math

import numpy as np

from kitgauge.measure.edges.edge_candidate import candidate_from_line
from kitgauge.measure.edges.edge_sfr import EdgeColour, EdgeMeasurement

SHAPE = (2000, 3000)
PITCH_UM = 4.0
NORMALS = {"left": (-1.0, 0.0), "right": (1.0, 0.0), "top": (0.0, -1.0), "bottom": (0.0, 1.0)}
_NOTHING = np.empty(0)


def square(x: float, y: float, mtf50, error: float, rng, colours: dict | None = None) -> list[EdgeMeasurement]:
    """Four edges about (x, y) with noisy MTF50; `mtf50` a value, or one per orientation."""
    edges = []
    for side, normal in NORMALS.items():
        x0, y0 = x + 70 * normal[0], y + 70 * normal[1]
        dx, dy = (0.0, 60.0) if normal[1] == 0 else (60.0, 0.0)
        candidate = candidate_from_line(x0 - dx, y0 - dy, x0 + dx, y0 + dy, normal, 40.0, int(x) * 7 + int(y), side)
        value = mtf50[candidate.orientation] if isinstance(mtf50, dict) else mtf50
        noisy = float(value) * math.exp(error * rng.standard_normal())
        seen = tuple(
            EdgeColour(channel, 0.0, 0.01, float(own) * math.exp(error * rng.standard_normal()), error * float(own))
            for channel, own in (colours or {}).items()
        )
        edges.append(
            EdgeMeasurement(
                candidate=candidate, orientation=candidate.orientation, group=candidate.group, x_px=x0, y_px=y0,
                angle_deg=5.0, length_px=120.0, mtf50_cy_per_px=noisy, mtf50_stderr=error * noisy, dark_dn=500.0,
                bright_dn=2000.0, snr=80.0, blur_px=2.0, edge_offset_px=0.0, edge_offset_stderr=0.01, bow_px=0.0,
                position_px=_NOTHING, esf=_NOTHING, esf_stderr=_NOTHING, frequency_cy_per_px=_NOTHING, mtf=_NOTHING,
                mtf_stderr=_NOTHING, colours=seen,
            )
        )  # fmt: skip
    return edges


def lens_mtf50(f_number: float, miss_um, sigma_px: float | None = None, wavelength_um: float = 0.55) -> np.ndarray:
    """MTF50 of an invented lens out of focus by `miss_um`, by integrating its transfer function over the pupil.

    Diffraction and defocus together as the mean of cos(phase) over the overlap of two pupils, along x; a normal blur
    and the pixel on top. The first frequency at which the contrast is one half.
    """
    sigma = math.hypot(0.35, 1.8 / f_number) if sigma_px is None else sigma_px
    nu = np.linspace(0.002, 0.6, 1200)
    s = np.clip(wavelength_um * f_number / PITCH_UM * nu, 0.0, 1.0)[:, None]
    x = (np.arange(200) + 0.5) / 200.0 * (1.0 - s)
    height = np.sqrt(1.0 - (x + s) ** 2)
    found = []
    for miss in np.atleast_1d(miss_um):
        disc_px = abs(miss) / (f_number * PITCH_UM)
        optics = 4.0 / math.pi * np.mean(height * np.cos(math.pi * disc_px * nu[:, None] * x), axis=1) * (1.0 - s[:, 0])
        mtf = optics * np.sinc(nu) * np.exp(-2.0 * (math.pi * sigma * nu) ** 2)
        k = int(np.argmax(mtf < 0.5))
        found.append(float(nu[k - 1] + (mtf[k - 1] - 0.5) / (mtf[k - 1] - mtf[k]) * (nu[k] - nu[k - 1])))
    return np.array(found)
