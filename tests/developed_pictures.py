"""Developed pictures with known noise: light -> noise of luminance and colour -> smoothing -> sRGB -> a file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image
from scipy.ndimage import gaussian_filter

BT709 = (0.2126, 0.7152, 0.0722)  # ITU-R BT.709-6, item 3.2


def encode(light, bits=8):
    """Return sRGB codes of light 0..1 (IEC 61966-2-1)."""
    light = np.clip(light, 0.0, 1.0)
    value = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.rint(value * (2**bits - 1)).astype(np.uint8 if bits == 8 else np.uint16)


def decode_tables(bits=8):
    """Return (3, codes) light of each sRGB code."""
    value = np.linspace(0.0, 1.0, 2**bits)
    light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return np.tile(light.astype(np.float32), (3, 1))


def noise_field(rng, shape, smoothing=0.0):
    """Return Gaussian noise of standard deviation 1; smoothed, its autocorrelation is exp(-d^2 / (4 s^2))."""
    white = rng.standard_normal(shape)
    if not smoothing:
        return white
    # a Gaussian kernel of standard deviation s passes 1 / (4 pi s^2) of the variance of white noise
    return gaussian_filter(white, smoothing, mode="wrap") * 2.0 * smoothing * np.sqrt(np.pi)


def shading(shape, depth=0.05):
    rows, columns = np.mgrid[0 : 1 : shape[0] * 1j, 0 : 1 : shape[1] * 1j]
    return 1.0 - depth * ((rows - 0.6) ** 2 + (columns - 0.4) ** 2)


def flat(rng, shape, level=0.18, luminance=0.05, red=0.0, blue=0.0, smoothing=0.0, colour_smoothing=0.0, light=None):
    """Return linear R, G, B (row, column, 3): noise of Y, R - Y and B - Y with these standard deviations, as shares of
    the level, independent of one another."""
    even = level * (shading(shape) if light is None else light)
    y = even * (1.0 + luminance * noise_field(rng, shape, smoothing))
    r = y + even * red * noise_field(rng, shape, colour_smoothing)
    b = y + even * blue * noise_field(rng, shape, colour_smoothing)
    g = (y - BT709[0] * r - BT709[2] * b) / BT709[1]
    return np.stack([r, g, b], axis=-1)


def settings_block(iso=None, shutter_s=1 / 60, f_number=5.6, second=0):
    block = Image.Exif()
    block[271], block[272] = "Practice", "Practice One"
    inner = block.get_ifd(0x8769)
    if iso is not None:
        inner[34855] = iso
    inner[33434], inner[33437] = shutter_s, f_number
    inner[36867] = f"2026:05:04 10:{second // 60:02}:{second % 60:02}"
    return block


def save_jpeg(path: Path, codes, quality=95, subsampling=0, **settings):
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(codes).save(path, quality=quality, subsampling=subsampling, exif=settings_block(**settings))


def pink_texture(rng, shape):
    """Return a texture of standard deviation 1 with detail at all frequencies, more of it at low ones."""
    down, across = np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None, :]
    spectrum = np.fft.rfft2(rng.standard_normal(shape)) / (np.hypot(down, across) + 0.02)
    texture = np.fft.irfft2(spectrum, s=shape)
    return texture / texture.std()
