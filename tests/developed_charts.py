"""Developed pictures of a target with known sharpening: lens and pixel -> unsharp mask -> sRGB -> a file.

An unsharp mask is linear: with amount a and a normal blur of s pixels it multiplies the MTF by
1 + a (1 - exp(-2 pi^2 s^2 nu^2)), so that everything about its edges is known in closed form.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from developed_pictures import encode, settings_block
from PIL import Image
from scipy.ndimage import gaussian_filter

from kitgauge.simulate.chart import grid_chart, render
from kitgauge.simulate.lens import Lens

PITCH_UM = 4.0
SHAPE = (480, 720)


@dataclass(frozen=True)
class Sharpening:
    """An unsharp mask on linear light."""

    amount: float = 0.0
    sigma_px: float = 1.0

    def mtf_factor(self, nu):
        return 1.0 + self.amount * (1.0 - np.exp(-2.0 * (np.pi * self.sigma_px * np.asarray(nu)) ** 2))


def true_mtf50(f_number, sharpening, x=0.0, lens=None):
    """Return MTF50 of lens, pixel and sharpening [cycles/pixel], from the lens's closed form, on a fine grid."""
    nu = np.linspace(0.0, 1.0, 20001)
    mtf = (lens or Lens()).mtf(nu, f_number, PITCH_UM, x) * sharpening.mtf_factor(nu)
    below = int(np.flatnonzero((mtf[:-1] >= 0.5) & (mtf[1:] < 0.5))[0])
    return float(nu[below])


def true_overshoot(f_number, sharpening, x=0.0, lens=None):
    """Return how far the edge spread rises over the bright level, of the contrast: by the Fourier integral
    E(d) = 1/2 + integral of MTF(nu) sin(2 pi nu d) / (pi nu)."""
    nu = (np.arange(40000) + 0.5) / 40000 * 4.0
    mtf = (lens or Lens()).mtf(nu, f_number, PITCH_UM, x) * sharpening.mtf_factor(nu)
    mtf[int(np.argmax(nu > 1.0)) :] *= np.exp(-((nu[nu > 1.0] - 1.0) ** 2))  # what is left there is below the noise
    distance = np.linspace(0.0, 12.0, 241)
    spread = 0.5 + (np.sin(2 * np.pi * np.outer(distance, nu)) * (mtf / (np.pi * nu))).sum(axis=1) * (nu[1] - nu[0])
    return float(max(spread.max() - 1.0, 0.0))


def developed_chart(rng, f_number, sharpening, noise=0.004, bright=0.45, lens=None):
    """Return linear light 0..1 (row, column) of three tilted squares."""
    light = bright * render(grid_chart(SHAPE, (1, 3)), (("G",),), lens or Lens(), f_number, PITCH_UM)
    light = light + noise * np.sqrt(light) * rng.standard_normal(light.shape)
    if sharpening.amount:
        light = light + sharpening.amount * (light - gaussian_filter(light, sharpening.sigma_px, truncate=6))
    return light


def save_developed(path: Path, light, *, bits=8, quality=97, sharpness=None, **settings):
    """Write light as JPEG (8 bits) or TIFF (16 bits) with the settings of the frame.

    `sharpness` is the Exif tag of that name (CIPA DC-008): 0 normal, 1 soft, 2 hard.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    codes = encode(np.repeat(light[..., None], 3, axis=2), bits)
    block = settings_block(**settings)
    if sharpness is not None:
        block.get_ifd(0x8769)[0xA40A] = sharpness
    if bits == 8:
        Image.fromarray(codes).save(path, quality=quality, subsampling=0, exif=block)
    else:
        import tifffile

        inner = dict(block.get_ifd(0x8769))
        tags = [(271, "s", 0, "Practice", True), (272, "s", 0, "Practice One", True)]
        tags += [(33437, "2I", 1, (round(inner[33437] * 100), 100), True)]
        tags += [(33434, "2I", 1, (round(inner[33434] * 1_000_000), 1_000_000), True)]
        tifffile.imwrite(path, codes, photometric="rgb", extratags=tags, metadata=None, software=None)


def developed_sweep(folder, f_numbers, sharpening=None, *, seed=0, frames=2, bits=8, start=0, lens=None):
    """Write `frames` developed pictures per f-number (as marked) and return their names."""
    from kitgauge.exposure import exact_f_number

    rng = np.random.default_rng(seed)
    names = []
    for f_number in f_numbers:
        for _ in range(frames):
            number = start + len(names)
            name = f"P{number:04d}.{'JPG' if bits == 8 else 'TIF'}"
            light = developed_chart(rng, exact_f_number(f_number), sharpening or Sharpening(), lens=lens)
            save_developed(folder / name, light, bits=bits, iso=100, f_number=f_number, second=number)
            names.append(name)
    return names
