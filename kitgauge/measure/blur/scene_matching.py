"""The tiles of one frame found again in another frame of the same scene, moved onto each other to a part of a pixel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from kitgauge.measure.blur.scene_registration import Registration, refine, register
from kitgauge.measure.blur.scene_tiles import SceneFrame, Spectrum, clipped, frequencies, margin_of, spectrum

Array = NDArray[np.float64]

REDUCED = 750  # long side of the pictures that are registered
_LEAST_TILES = 4
_UNTURNED_PX = 0.04  # a tile whose corners move by less against a plain shift is not turned
_SMOOTH_PX = 1.5  # of cross correlations
_HIGHEST = 0.25
_REACH_PX = (40.0, 12.0)  # how far shifts may lie, before and after the tiles have corrected the map once
_LEAST_CURVATURE = 1e-3  # of the strongest direction


@dataclass(frozen=True)
class MatchedTiles:
    """`spectra` (tile, row, column) of the frame at the places of the reference's tiles, `noise` a sample's variance.

    `whole` (tile,): within the frame and not clipped; `agree` (tile,): of those, the ones that moved as the rest did.
    """

    registration: Registration
    spectra: Spectrum
    noise: float
    whole: NDArray[np.bool_]
    agree: NDArray[np.bool_]


def tile_around(frame: SceneFrame, top: int, left: int, size: int) -> NDArray[np.float32]:
    """Return the picture of a tile with the pixels around it that `spectrum` needs."""
    margin = margin_of(size)
    return frame.crop(top - margin, left - margin, size + 2 * margin, size + 2 * margin)[0]


def register_tiles(
    own: Spectrum,
    frame: SceneFrame,
    reduced: NDArray[np.float32],
    tiles: Sequence[tuple[int, int]],
    *,
    still: bool = False,
) -> MatchedTiles | None:
    """Return the tiles of `frame` at the places (top, left) of `tiles`, whose spectra are `own`.

    `reduced` is the picture of the reference, at most `REDUCED` long. A shift of some tenths of a pixel may be left
    over, common to all tiles of a blurred frame: its blur has no middle to agree on. Of a `still` frame none is.
    None where the frames show no common scene.
    """
    size = own.shape[1]
    found = register(reduced, frame.reduced(REDUCED), frame.shape)
    if found is None:
        return None
    centres = [(left + (size - 1) / 2.0, top + (size - 1) / 2.0) for top, left in tiles]
    before, spectra, whole = found, own, np.ones(len(tiles), dtype=bool)
    agree = whole
    for model in (False, not still):
        before = found
        moved = [_moved_tile(frame, found, centre, size) for centre in centres]
        spectra = np.stack([one for one, _ in moved])
        whole = np.array([good for _, good in moved])
        if np.count_nonzero(whole) < _LEAST_TILES:
            return MatchedTiles(found, spectra, np.nan, whole, whole)
        shifts, information = _shifts(own[whole], spectra[whole], common=model)
        picked = [centre for centre, good in zip(centres, whole, strict=True) if good]
        found, kept = refine(found, picked, shifts, information)
        agree = whole.copy()
        agree[whole] = kept
    fy, fx = frequencies(size)
    for number, centre in enumerate(centres):
        x, y = np.subtract(found.at(*centre), before.at(*centre))
        spectra[number] *= np.exp(2j * np.pi * (fx * x + fy * y)).astype(np.complex64)
    corners = [(round(y) - size // 2, round(x) - size // 2) for x, y in (found.at(*centre) for centre in centres)]
    inside = [corner for corner, good in zip(corners, agree, strict=True) if good]
    noise = float(np.mean([frame.noise_variance(*corner, size) for corner in inside])) if inside else np.nan
    return MatchedTiles(found, spectra, noise, whole, agree)


def _moved_tile(
    frame: SceneFrame, registration: Registration, centre: tuple[float, float], size: int
) -> tuple[Spectrum, bool]:
    """Return the spectrum of the tile that the registration finds for `centre`, and whether it is whole."""
    margin = margin_of(size)
    x, y = registration.at(*centre)
    linear = registration.matrix[:, :2]
    side = size + 2 * margin
    half = (side - 1) / 2.0
    turned = float(np.abs(linear - np.eye(2)).sum(axis=1).max()) * size / 2.0 > _UNTURNED_PX
    extra = int(np.ceil(np.abs(linear - np.eye(2)).sum(axis=1).max() * half)) + 6 if turned else 0
    left, top = int(np.floor(x - half)), int(np.floor(y - half))
    rows, columns = frame.shape
    inside = left + margin >= 0 and top + margin >= 0 and left + side - margin < columns and top + side - margin < rows
    picture, share = frame.crop(top - extra, left - extra, side + 2 * extra, side + 2 * extra)
    good = inside and not clipped(share)
    if not turned:
        fy, fx = frequencies(size)
        ramp = np.exp(2j * np.pi * (fx * (x - half - left) + fy * (y - half - top)))
        return np.asarray(spectrum(picture, size) * ramp, dtype=np.complex64), good
    matrix = np.empty((2, 3))
    matrix[:, :2] = linear
    matrix[:, 2] = np.array([x - left + extra, y - top + extra]) - linear @ np.array([half, half])
    # Splines keep the second moment of what they interpolate (Thevenaz, Blu and Unser, IEEE TMI 19, 2000, from
    # memory); windowed sinc functions do not, and a blur of 0.5 px would be theirs.
    swapped = linear[::-1, ::-1]  # rows first
    turned_picture = ndimage.affine_transform(
        picture, swapped, matrix[::-1, 2], output_shape=(side, side), order=3, mode="mirror"
    )
    return spectrum(np.asarray(turned_picture, dtype=np.float32), size), good


def _shifts(own: Spectrum, other: Spectrum, *, common: bool) -> tuple[Array, Array]:
    """Return the shift (tile, x and y) [px] that is left between tiles, and how well it is known (tile, 2, 2).

    First from the peak of each tile's smoothed cross correlation. With `common`, tiles lie on each other to a few
    pixels, and the blur is the same in all: each is compared with what the mean transfer function makes of it,
    so that a long or crooked streak does not pull the peak about. A tile with edges of one direction only tells its
    shift across them: along them its correlation is a ridge, whose small curvature says so.
    """
    size = own.shape[1]
    fy, fx = frequencies(size)
    radius2 = fx**2 + fy**2
    power = np.abs(own).astype(np.float64) ** 2
    mean = power.mean(axis=0)
    cross = other * np.conj(own)
    if common:
        model = np.sum(cross, axis=0) / np.maximum(np.sum(power, axis=0), 1e-30)
        weight = np.conj(model)
    else:
        weight = np.ones_like(mean)
    band = radius2 < _HIGHEST**2
    flat = np.exp(-2.0 * (np.pi * _SMOOTH_PX) ** 2 * radius2)
    flat[band] /= np.sqrt(cv2.blur(mean, (5, 5))[band] + 1e-30)
    flat[~band] = 0.0
    near = _near(size, _REACH_PX[common])
    shifts, information = np.zeros((len(own), 2)), np.zeros((len(own), 2, 2))
    k = 2.0 * np.pi * np.stack([fx[band], fy[band]])
    for number, product in enumerate(cross * weight):
        seen = np.fft.irfft2(product * flat, s=(size, size))
        row, column = np.unravel_index(int(np.argmax(seen * near)), seen.shape)
        y, x = (int(place) - size if place > size // 2 else int(place) for place in (row, column))
        ramped = (product * flat)[band] * np.exp(1j * (k[0] * x + k[1] * y))
        # Newton's step on the correlation from its peak: phase -k s of what is left, curvature sum k k^T Re
        curvature = (k * ramped.real) @ k.T
        sizes, axes = np.linalg.eigh(curvature)
        sizes = np.maximum(sizes, _LEAST_CURVATURE * max(float(sizes[-1]), 1e-30))
        rest = -(axes / sizes) @ axes.T @ (k @ ramped.imag)
        shifts[number] = np.clip(rest, -1.5, 1.5) + np.array([x, y])
        height = float(np.abs(seen[row, column])) / max(float(np.std(seen)), 1e-30)
        information[number] = max(height, 1e-6) * (axes * (sizes / sizes[-1])) @ axes.T
    return shifts, information


@lru_cache(maxsize=8)
def _near(size: int, reach_px: float) -> Array:
    """Return a Gaussian of standard deviation `reach_px` about shift 0, (row, column) as a correlation is laid out."""
    away = np.minimum(np.arange(size), size - np.arange(size))
    one = np.exp(-0.5 * (away / reach_px) ** 2)
    return np.outer(one, one)
