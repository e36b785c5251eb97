"""Edges with exactly known sharpness, made without any code of the package.

Half-plane: value at a pixel centre = dark + (bright - dark) E(d),
E(d) = 1/2 + integral of MTF(nu) sin(2 pi nu d)/(pi nu) (the edge spread as the sine transform of the MTF),
MTF = diffraction x pixel x normal blur along the edge normal.
Patch: the Fourier transform of a polygon in closed form, times the two-dimensional transfer function, back-transformed
on the sampling grid: band-limited, so exact but for the periodic border.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from prysm_route import diffraction_limited_mtf
from scipy.optimize import brentq

PATTERNS = {
    "bayer": ["RG", "GB"],
    "mono": ["G"],
    "six": ["GBGGRG", "RGRBGB", "GBGGRG", "GRGGBG", "BGBRGR", "GRGGBG"],
}


def green(shape: tuple[int, int], pattern: str) -> np.ndarray:
    tile = np.array([[letter == "G" for letter in row] for row in PATTERNS[pattern]])
    rows, columns = shape
    return np.tile(tile, (rows // tile.shape[0] + 1, columns // tile.shape[1] + 1))[:rows, :columns]


def pupil_mtf(nu: np.ndarray, cutoff_px: float) -> np.ndarray:
    """prysm's circular-aperture MTF; its units are um and cycles/mm, so one "um" stands for one pixel here."""
    frequency = np.abs(np.asarray(nu, dtype=float))
    if cutoff_px == 0:
        return np.ones_like(frequency)
    inside = frequency < 1.0 / cutoff_px
    out = np.zeros_like(frequency)
    out[inside] = diffraction_limited_mtf(fno=cutoff_px, wavelength=1.0, frequencies=frequency[inside] * 1e3)
    return out


def true_mtf(nu: np.ndarray, cutoff_px: float, sigma_px: float, tilt_deg: float) -> np.ndarray:
    nu = np.asarray(nu, dtype=float)
    tilt = math.radians(tilt_deg)
    pixel = np.sinc(nu * math.cos(tilt)) * np.sinc(nu * math.sin(tilt))
    return pupil_mtf(nu, cutoff_px) * pixel * np.exp(-2.0 * (math.pi * sigma_px * nu) ** 2)


def true_mtf50(cutoff_px: float, sigma_px: float, tilt_deg: float) -> float:
    return float(brentq(lambda nu: true_mtf(np.array([nu]), cutoff_px, sigma_px, tilt_deg)[0] - 0.5, 1e-3, 0.99))


@lru_cache(maxsize=64)
def edge_spread(cutoff_px: float, sigma_px: float, tilt_deg: float) -> tuple[np.ndarray, np.ndarray]:
    stop = min(1.0 / cutoff_px if cutoff_px > 0 else 20.0, 20.0)
    count = int(stop * 1200)
    nu = (np.arange(count) + 0.5) * stop / count
    weight = true_mtf(nu, cutoff_px, sigma_px, tilt_deg) / (math.pi * nu) * (stop / count)
    d = np.arange(0.0, 90.0, 0.03)
    rise = np.concatenate([np.sin(2.0 * math.pi * part[:, None] * nu) @ weight for part in np.array_split(d, 12)])
    return np.concatenate([-d[:0:-1], d]), 0.5 + np.concatenate([-rise[:0:-1], rise])


@dataclass(frozen=True)
class Scene:
    signal: np.ndarray
    mask: np.ndarray
    saturated: np.ndarray
    ends: tuple[float, float, float, float]
    normal: tuple[float, float]


def add_noise(clean: np.ndarray, bright: float, snr: float, seed: int) -> np.ndarray:
    """Shot noise (90 % of the variance at `bright`) and read noise; `snr` is that of one sample at `bright`."""
    if not math.isfinite(snr):
        return clean.astype(np.float32)
    rng = np.random.default_rng(seed)
    variance = (bright / snr) ** 2 * (0.1 + 0.9 * np.clip(clean, 0.0, None) / bright)
    return (clean + rng.normal(size=clean.shape) * np.sqrt(variance)).astype(np.float32)


def half_plane(
    *,
    cutoff_px: float,
    sigma_px: float,
    tilt_deg: float = 5.0,
    length: float = 200.0,
    reach: float = 44.0,
    dark: float = 800.0,
    bright: float = 3200.0,
    snr: float = math.inf,
    seed: int = 0,
    pattern: str = "bayer",
    phase: tuple[float, float] = (0.31, 0.17),
    fall_across: float = 0.0,
    fall_along: float = 0.0,
    bow: float = 0.0,
    horizontal: bool = False,
    spread: tuple[np.ndarray, np.ndarray] | None = None,
) -> Scene:
    """A tilted edge through the middle, dark on the left (on top if `horizontal`); falls are relative per pixel.

    `spread` (distance, share) replaces the edge spread of `cutoff_px` and `sigma_px`.
    """
    rows, columns = int(length) + 24, int(2 * reach) + 24
    tilt = math.radians(tilt_deg)
    y, x = np.mgrid[0:rows, 0:columns].astype(float)
    x0, y0 = 0.5 * columns + phase[0], 0.5 * rows + phase[1]
    u = -(x - x0) * math.sin(tilt) + (y - y0) * math.cos(tilt)
    v = (x - x0) * math.cos(tilt) + (y - y0) * math.sin(tilt)
    d = v - bow * (2.0 * u / length) ** 2
    share = np.interp(d, *(spread or edge_spread(cutoff_px, sigma_px, tilt_deg)))
    clean = (dark + (bright - dark) * share) * (1.0 + fall_across * v + fall_along * u)
    ends = [(x0 - t * math.sin(tilt), y0 + t * math.cos(tilt)) for t in (-0.5 * length, 0.5 * length)]
    normal = (math.cos(tilt), math.sin(tilt))
    if horizontal:
        clean, ends, normal = clean.T.copy(), [(b, a) for a, b in ends], (normal[1], normal[0])
    signal = add_noise(clean, bright, snr, seed)
    return Scene(
        signal=signal,
        mask=green(signal.shape, pattern),
        saturated=np.zeros(signal.shape, dtype=bool),
        ends=(*ends[0], *ends[1]),
        normal=normal,
    )


def polygon_transform(corners: np.ndarray, fx: np.ndarray, fy: np.ndarray) -> np.ndarray:
    """Fourier transform of a polygon's indicator (corners (n, 2) as x, y), from Green's theorem edge by edge."""
    total = np.zeros(np.broadcast(fx, fy).shape, dtype=complex)
    square = fx * fx + fy * fy
    for (xa, ya), (xb, yb) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        dx, dy = xb - xa, yb - ya
        phase = np.exp(-1j * math.pi * (fx * (xa + xb) + fy * (ya + yb)))
        total += (fx * dy - fy * dx) * np.sinc(fx * dx + fy * dy) * phase
    with np.errstate(invalid="ignore", divide="ignore"):
        out = total * 1j / (2.0 * math.pi * square)
    x, y = corners[:, 0], corners[:, 1]
    area = 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    return np.where(square == 0, area, out)


def patch_share(size: int, corners: np.ndarray, cutoff_px: float, sigma_px: float, oversampling: int = 8) -> np.ndarray:
    """(size, size) share of a polygon seen by each pixel, through diffraction, normal blur and the pixel's own area."""
    grid = size * oversampling
    f = np.fft.fftfreq(grid, 1.0 / oversampling)
    folded = np.zeros((size, size), dtype=complex)
    inside = np.abs(f) < (1.0 / cutoff_px if cutoff_px > 0 else math.inf)
    columns = np.flatnonzero(inside)
    for k in columns:
        fx, fy = f[columns], f[k]
        row = polygon_transform(corners, fx, np.full_like(fx, fy))
        radius = np.hypot(fx, fy)
        row = row * pupil_mtf(radius, cutoff_px) * np.exp(-2.0 * (math.pi * sigma_px * radius) ** 2)
        row = row * np.sinc(fx) * np.sinc(fy)
        np.add.at(folded[k % size], columns % size, row)
    return np.fft.ifft2(folded).real


def square(centre: tuple[float, float], side: float, tilt_deg: float) -> np.ndarray:
    """Corners (4, 2) x, y of a square turned by `tilt_deg`, counted so that its area is positive."""
    tilt = math.radians(tilt_deg)
    half = 0.5 * side
    corners = np.array([(-half, -half), (half, -half), (half, half), (-half, half)])
    turn = np.array([[math.cos(tilt), math.sin(tilt)], [-math.sin(tilt), math.cos(tilt)]])
    return corners @ turn + np.array(centre)
