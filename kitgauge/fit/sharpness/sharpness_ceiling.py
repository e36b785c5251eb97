"""Files sharper than physics: by how much, and how surely, they exceed what diffraction and the pixel allow."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import stats
from scipy.optimize import brentq

from kitgauge.exposure import format_f_number
from kitgauge.fit.sharpness.sharpness_contrasts import ERROR_ALLOWANCE, FAMILY_PROBABILITY, Finding
from kitgauge.fit.sharpness.sharpness_points import SharpnessPoint
from kitgauge.measure.edges.diffraction import diffraction_px, system_mtf, system_mtf50

# of wavelength x f-number: 3 % for the light's mean wavelength in a green filter, 4 % for the aperture's true size
# (common practice, no source)
WAVELENGTH_SPREAD = 0.05
SMALLEST_EXCESS = 0.02  # of MTF50, and of contrast
_CONTRAST_DOUBT = 0.01  # stray light and uneven light at an edge (common practice, no source)
_NOISE_SIGMA = 4.0
_LOW_FREQUENCIES_CY_PER_PX = (0.1, 0.15, 0.2, 0.25)  # where sharpening lifts a soft lens's contrast first


def beyond_ceiling(
    point: SharpnessPoint, pitch_um: float, wavelength_um: float, magnification: float = 0.0
) -> tuple[float, float]:
    """Return (ln of MTF50 over what diffraction and pixel allow, its standard error).

    The error holds that of the point and what wavelength and aperture 5 % off do to the ceiling. The f-number that acts
    at magnification m is N (1 + m) (a lens whose pupils are alike; common practice, no source).
    """
    at, doubt = _ceiling(point.f_number * (1.0 + magnification), pitch_um, wavelength_um)
    return math.log(point.mtf50_cy_per_px) - at, math.hypot(_noise(point), doubt)


def _noise(point: SharpnessPoint) -> float:
    return ERROR_ALLOWANCE * point.mtf50_cy_per_px_stderr / point.mtf50_cy_per_px


@lru_cache(maxsize=256)  # points share their f-numbers
def _ceiling(f_number: float, pitch_um: float, wavelength_um: float) -> tuple[float, float]:
    """Return ln MTF50 of diffraction and pixel alone, and by how much it may be higher."""
    cutoff = diffraction_px(f_number, pitch_um, wavelength_um) * np.array([1.0, 1.0 - WAVELENGTH_SPREAD])
    at, shorter = np.log(system_mtf50(cutoff, 0.0))
    return float(at), float(shorter - at)


@dataclass(frozen=True)
class _Excess:
    """How far one point is above the ceiling: `z` of it in doubts about the ceiling, noise taken off beforehand."""

    z: float
    size: float
    stderr: float
    point: SharpnessPoint
    frequency: float | None  # of contrast; None: of MTF50


def _excesses(
    points: Sequence[SharpnessPoint], pitch_um: float, wavelength_um: float, magnification: float
) -> list[_Excess]:
    """Return the excess of MTF50 of each point, and of its contrast at low frequencies."""
    found = []
    for point in points:
        f_number = point.f_number * (1.0 + magnification)
        at, doubt = _ceiling(f_number, pitch_um, wavelength_um)
        value, noise = math.log(point.mtf50_cy_per_px) - at, _noise(point)
        z = (value - math.log1p(SMALLEST_EXCESS) - _NOISE_SIGMA * noise) / doubt
        found.append(_Excess(z, math.expm1(value), math.hypot(noise, doubt), point, None))
        if point.curve is None:
            continue
        frequency = np.array(_LOW_FREQUENCIES_CY_PER_PX)
        cutoff = float(diffraction_px(f_number, pitch_um, wavelength_um))
        ceiling = system_mtf(frequency, cutoff, 0.0)
        doubts = np.abs(system_mtf(frequency, cutoff * (1.0 - WAVELENGTH_SPREAD), 0.0) - ceiling) + _CONTRAST_DOUBT
        values, errors = (
            np.interp(frequency, point.curve.frequency_cy_per_px, array)
            for array in (point.curve.mtf, ERROR_ALLOWANCE * point.curve.mtf_stderr)
        )
        for k in range(frequency.size):
            excess = float(values[k] - ceiling[k])
            z = (excess - SMALLEST_EXCESS - _NOISE_SIGMA * float(errors[k])) / float(doubts[k])
            found.append(_Excess(z, excess, float(math.hypot(errors[k], doubts[k])), point, float(frequency[k])))
    return found


def sharpened_finding(
    points: Sequence[SharpnessPoint], pitch_um: float | None, wavelength_um: float, magnification: float = 0.0
) -> Finding | None:
    """Return the finding that the files are sharper than diffraction and pixel allow, None where they are not.

    MTF50, or the contrast at four low frequencies, must exceed the ceiling by 2 % and four standard errors of noise
    more than doubts about wavelength and aperture explain (probability under 1 % after multiplication by the number of
    f-numbers and frequencies: these doubts are the same at all places). None where the pitch is unknown.
    """
    if pitch_um is None or not points:
        return None
    excesses = _excesses(points, pitch_um, wavelength_um, magnification)
    worst = max(excesses, key=lambda excess: excess.z)
    tests = len({(excess.point.f_number, excess.frequency) for excess in excesses})
    probability = min(1.0, float(stats.norm.sf(worst.z)) * tests)
    if probability >= FAMILY_PROBABILITY:
        return None
    at = format_f_number(worst.point.f_number)
    amount = f"{100.0 * worst.size:.0f} %"
    if worst.frequency is None:
        what = f"MTF50 is {amount} above"
    else:
        what = f"contrast at {worst.frequency:g} cycles/pixel is by {amount} of the whole contrast above"
    pitch = _other_pitch(worst.point, pitch_um, wavelength_um, magnification) if worst.frequency is None else ""
    return Finding(
        "sharpened",
        "whole frame",
        100.0 * worst.size,
        "%",
        worst.z,
        f"These files are sharper than physics allows: at {at} {what} what diffraction and a pixel of {pitch_um:.3g} "
        f"micrometres let through.{pitch} Otherwise the camera or a converter sharpened them, and nothing here holds "
        "for the lens alone.",
        probability,
        worst.point.f_number,
        size_stderr=100.0 * worst.stderr,
    )


def _other_pitch(point: SharpnessPoint, pitch_um: float, wavelength_um: float, magnification: float) -> str:
    """Return a sentence naming the pixel pitch that would allow the sharpest point, empty where none near does."""
    f_number = point.f_number * (1.0 + magnification)

    def excess(pitch: float) -> float:
        return float(system_mtf50(diffraction_px(f_number, pitch, wavelength_um), 0.0)) - point.mtf50_cy_per_px

    if excess(3.0 * pitch_um) < 0:
        return ""
    pitch = float(brentq(excess, pitch_um, 3.0 * pitch_um)) if excess(pitch_um) < 0 else pitch_um
    return (
        f" A pixel pitch of {pitch:.3g} micrometres or more would allow it: check --pitch-um."
        if pitch > pitch_um
        else ""
    )
