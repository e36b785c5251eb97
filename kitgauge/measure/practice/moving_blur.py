"""How far a moving thing is smeared in each frame of a series, from the power spectrum of a part of it.

The thing is never at the same place twice, and it turns and bends: frames of it cannot be laid on each other. Its
texture keeps its power spectrum, though. Steady motion over a length L multiplies that by sinc^2(L f cos a), a the
angle between frequency and motion (the characteristic function of a straight uniform path, squared), so the ratio
to the frame with the most detail gives L. A rough measure: what lies behind the thing and beside it takes part in it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.blur.scene_tiles import SceneFrame, frequencies, margin_of, noise_shape, spectrum

Array = NDArray[np.float64]

_SIZES = ((2500, 256), (800, 128), (0, 64))  # long side of the frame from which on, side of the part [px]
_BAND = (0.02, 0.22)  # cycles/pixel
_SMOOTHED = 5  # frequencies
_DETAIL = 3.0  # power over noise in the clearest frame
_LEAST_BINS = 60
_ANGLES = 24
LONGEST = 0.12  # of the side of the part: longer streaks are not told apart
_SHORTEST_PX = 1.0
_GAIN = (0.7, 1.2)  # of the amplitude, beside the streak: what covers and lies behind the thing changes a little


@dataclass(frozen=True)
class ThingSpectrum:
    """Power spectrum of a part of one frame, relative to its level squared, and that of its noise: (row, column) of the
    half plane; `size` is the side of the part [px]."""

    size: int
    power: Array
    noise: Array

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, of the frequencies that are used."""
        kept = _kept(self.size)
        return {
            "size": self.size,
            "power": [float(f"{x:.4g}") for x in self.power[kept]],
            "noise": [float(f"{x:.4g}") for x in self.noise[kept]],
        }

    @classmethod
    def from_dict(cls, values: dict[str, Any]) -> ThingSpectrum:
        """Return what `as_dict` wrote."""
        kept = _kept(int(values["size"]))
        parts = {name: np.zeros(kept.shape) for name in ("power", "noise")}
        for name, part in parts.items():
            part[kept] = values[name]
        return cls(int(values["size"]), parts["power"], parts["noise"])


def _kept(size: int) -> NDArray[np.bool_]:
    radius = np.hypot(*frequencies(size))
    return np.asarray((radius >= _BAND[0]) & (radius <= _BAND[1] + _SMOOTHED / size))


def thing_spectrum(frame: SceneFrame, x: float, y: float) -> ThingSpectrum | None:
    """Return the spectrum of the part of a frame around (x, y) [px], moved inward at the border; None if black."""
    size = next(side for least, side in _SIZES if max(frame.shape) >= least)
    rows, columns = frame.shape
    if min(rows, columns) <= size:
        return None
    left = int(np.clip(round(x - size / 2), 0, columns - size))
    top = int(np.clip(round(y - size / 2), 0, rows - size))
    margin = margin_of(size)
    picture, _ = frame.crop(top - margin, left - margin, size + 2 * margin, size + 2 * margin)
    level = float(np.mean(picture[margin:-margin, margin:-margin]))
    if level <= 0:
        return None
    power = np.abs(spectrum(picture, size)).astype(np.float64) ** 2 / level**2
    noise = frame.noise_variance(top, left, size) * noise_shape(frame.wanted, size) / level**2
    return ThingSpectrum(size, power, noise)


def streaks_of_thing(spectra: Sequence[ThingSpectrum | None]) -> list[float]:
    """Return the streak [px] of a moving thing in each frame beyond that of the frame that shows it most clearly.

    0 for that one; NaN where unknown; infinite where longer than can be told.
    """
    known = [k for k, one in enumerate(spectra) if one is not None]
    out = [math.nan] * len(spectra)
    if len(known) < 2:
        return out
    sizes = {one.size for one in spectra if one is not None}
    if len(sizes) > 1:
        return out
    size = sizes.pop()
    fy, fx = frequencies(size)
    radius = np.hypot(fy, fx)
    band = (radius >= _BAND[0]) & (radius <= _BAND[1])
    clean = {k: _smoothed(one.power - one.noise) for k, one in enumerate(spectra) if one is not None}
    noise = {k: one.noise for k, one in enumerate(spectra) if one is not None}
    # fine detail tells blur; where noise hides it, a frame is not the clearest
    clearest = max(
        known,
        key=lambda k: float(np.sum((radius * clean[k])[band]) - 2.0 * np.sum((radius * noise[k])[band]) / _SMOOTHED),
    )
    used = band & (clean[clearest] > _DETAIL * noise[clearest])
    if np.count_nonzero(used) < _LEAST_BINS:
        return out
    for k in known:
        out[k] = (
            0.0
            if k == clearest
            else _streak(clean[k][used], clean[clearest][used], noise[k][used], fx[used], fy[used], size)
        )
    return out


def _smoothed(power: Array) -> Array:
    smooth = cv2.blur(power.astype(np.float32), (1, _SMOOTHED), borderType=cv2.BORDER_REFLECT_101)
    wrapped = np.concatenate([smooth[-_SMOOTHED:], smooth, smooth[:_SMOOTHED]])
    return np.asarray(cv2.blur(wrapped, (_SMOOTHED, 1))[_SMOOTHED:-_SMOOTHED], dtype=np.float64)


def _streak(power: Array, clear: Array, noise: Array, fx: Array, fy: Array, size: int) -> float:
    """Return the length whose sinc^2 fits the ratio of two spectra best, least squares of the amplitudes."""
    seen = np.sqrt(np.maximum(power, 0.0))
    whole = np.sqrt(clear)
    # each bin is a smoothed periodogram: its error goes with its own size, noise below which it drowns
    weight = 1.0 / (whole**2 + noise)
    best = (math.inf, 0.0)
    lengths = np.geomspace(_SHORTEST_PX, 5.0 * LONGEST * size, 48)
    for length in (0.0, *lengths):
        for angle in np.pi * np.arange(_ANGLES if length else 1) / _ANGLES:
            model = whole * np.abs(np.sinc(length * (fx * math.cos(angle) + fy * math.sin(angle))))
            gain = float(np.clip(((weight * model) @ seen) / ((weight * model) @ model), *_GAIN))
            loss = float(weight @ (seen - gain * model) ** 2)
            if loss < best[0]:
                best = loss, float(length)
    return math.inf if best[1] > LONGEST * size else best[1]
