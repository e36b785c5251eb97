"""Tiles of a scene's frames: green samples of a mosaic as small pictures, and their windowed spectra.

A scene of a thousand details replaces the edges of a target. Only chosen tiles are read, so that a frame of 24
megapixels costs little more than its decoding. Places that hold no green sample are filled with the weighted mean of
their green neighbours; what that does to signal and noise is the same linear filter in every frame, so it cancels
in the ratio of two spectra, and its noise spectrum is known exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.edges.search_picture import picture_of_samples

Array = NDArray[np.float64]
Spectrum = NDArray[np.complex64]

_NEAR = np.array([[1.0, 2.0, 1.0], [2.0, 4.0, 2.0], [1.0, 2.0, 1.0]], dtype=np.float32)
_MARGIN = 1.5  # widths of the smoothing that flattens a tile, kept around it
_FLATTEN = 1.0 / 16.0  # that width (standard deviation), as a share of the tile
_LOW_QUANTILE = 0.1  # of |second differences|, and what that is of a normal distribution's standard deviation
_LOW_QUANTILE_SIGMA = 0.1257
_CLIPPED_SHARE = 1e-3


@dataclass(frozen=True)
class SceneFrame:
    """One frame of a scene: `samples` (row, column) uint16 with black in them.

    `wanted` (row, column of the repeating pattern) is True where a position has the measured colour, `black_dn` has the
    same shape, `white_dn` is the level from which on a sample is clipped.
    """

    samples: NDArray[np.uint16]
    wanted: NDArray[np.bool_]
    black_dn: Array
    white_dn: float

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.samples.shape[0], self.samples.shape[1]

    def crop(self, top: int, left: int, rows: int, columns: int) -> tuple[NDArray[np.float32], float]:
        """Return a part as a picture [DN, black subtracted], gaps filled, and its share of clipped samples.

        Beyond the border of the frame its last patterns are repeated.
        """
        steps = self.wanted.shape
        places = [
            _within(np.arange(start - 1, start + count + 1), size, step)
            for start, count, size, step in zip((top, left), (rows, columns), self.shape, steps, strict=True)
        ]
        part = self.samples[np.ix_(*places)]
        mask = self.wanted[np.ix_(places[0] % steps[0], places[1] % steps[1])]
        black = self.black_dn[np.ix_(places[0] % steps[0], places[1] % steps[1])]
        clipped = float(np.count_nonzero((part >= self.white_dn) & mask)) / max(1, int(np.count_nonzero(mask)))
        return _filled((part - black).astype(np.float32), mask)[1:-1, 1:-1], clipped

    def noise_variance(self, top: int, left: int, size: int) -> float:
        """Return the variance of a sample's noise [DN^2] in a tile.

        From second differences of neighbours of one position of the pattern (variance 6 s^2, white noise), the way
        with less detail of the two, by a low quantile of their moduli: it is that of the smooth places, of which a
        scene has some between its details. Too high by up to a few times where it has hardly any.
        """
        rows, columns = self.wanted.shape
        top, left = max(0, top - top % rows), max(0, left - left % columns)
        found = []
        for row, column in np.argwhere(self.wanted)[:4]:
            part = self.samples[top + row : top + size : rows, left + column : left + size : columns].astype(np.float32)
            ways = [np.abs(np.diff(part, n=2, axis=axis)) for axis in (0, 1)]
            found.append(min(float(np.quantile(way, _LOW_QUANTILE)) for way in ways if way.size))
        return (float(np.mean(found)) / _LOW_QUANTILE_SIGMA) ** 2 / 6.0

    def reduced(self, long_side: int) -> NDArray[np.float32]:
        """Return the frame's green samples averaged over blocks [DN]."""
        return picture_of_samples(self.samples, self.wanted, self.black_dn, self.white_dn, long_side=long_side).image


def _within(places: NDArray[np.intp], size: int, step: int) -> NDArray[np.intp]:
    """Return row or column numbers moved into the frame by whole patterns."""
    last = size - step
    low = np.where(places < 0, places % step, places)
    return np.where(low >= size, last - last % step + low % step, low).clip(0, size - 1)


def _filled(values: NDArray[np.float32], mask: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return values with those outside `mask` replaced by the weighted mean of masked neighbours."""
    if mask.all():
        return values
    share = cv2.filter2D(mask.astype(np.float32), -1, _NEAR, borderType=cv2.BORDER_REFLECT_101)
    total = cv2.filter2D(values * mask, -1, _NEAR, borderType=cv2.BORDER_REFLECT_101)
    return np.asarray(np.where(mask, values, total / np.maximum(share, 1e-6)), dtype=np.float32)


@lru_cache(maxsize=8)
def window(size: int) -> NDArray[np.float32]:
    """Return the two-dimensional Hann window of `size` x `size`, of mean square 1."""
    one = np.hanning(size + 1)[:-1]
    both = np.outer(one, one)
    return np.asarray(both / np.sqrt(np.mean(both**2)), dtype=np.float32)


@lru_cache(maxsize=8)
def frequencies(size: int) -> tuple[Array, Array]:
    """Return the frequencies (fy, fx) [cycles/pixel] of the half plane that `spectrum` gives, (row, column)."""
    fy, fx = np.meshgrid(np.fft.fftfreq(size), np.fft.rfftfreq(size), indexing="ij")
    return fy, fx


def margin_of(size: int) -> int:
    """Return the pixels needed around a tile, so that flattening sees beyond its border."""
    return int(np.ceil(_MARGIN * _FLATTEN * size))


def spectrum(picture: NDArray[np.float32], size: int) -> Spectrum:
    """Return the spectrum of a tile from a picture of the tile with `margin_of(size)` pixels around it.

    The slow part (a wide Gaussian mean) is taken off first: scenes have most of their power there, and the window would
    leak it over all other frequencies. As a filter it is common to all frames. Scaled so that white noise of variance s
    has the mean square s.
    """
    wide = _FLATTEN * size
    flat = picture - cv2.GaussianBlur(picture, (0, 0), wide, borderType=cv2.BORDER_REFLECT_101)
    margin = margin_of(size)
    tile = flat[margin : margin + size, margin : margin + size] * window(size)
    return np.asarray(np.fft.rfft2(tile) / size, dtype=np.complex64)


def noise_shape(wanted: NDArray[np.bool_], size: int) -> Array:
    """Return what the spectrum of a tile makes of white noise of variance 1 in the green samples, (row, column).

    Mean over the positions of the pattern of the squared response to a single sample's noise.
    """
    return _noise_shape(wanted.tobytes(), wanted.shape[0], wanted.shape[1], size)


@lru_cache(maxsize=8)
def _noise_shape(pattern: bytes, rows: int, columns: int, size: int) -> Array:
    wanted = np.frombuffer(pattern, dtype=np.bool_).reshape(rows, columns)
    repeats = (-(-9 // rows), -(-9 // columns))
    mask = np.tile(wanted, repeats)
    middle = (rows * (repeats[0] // 2), columns * (repeats[1] // 2))
    total = np.zeros((size, size // 2 + 1))
    for row, column in np.argwhere(wanted):
        single = np.zeros(mask.shape, dtype=np.float32)
        single[middle[0] + row, middle[1] + column] = 1.0
        total += np.abs(np.fft.rfft2(_filled(single, mask), s=(size, size))) ** 2
    return total / wanted.size


def choose_tiles(frame: SceneFrame, size: int, most: int) -> list[tuple[int, int]]:
    """Return (top, left) of up to `most` tiles with the most detail, spread over the frame.

    Detail is the variance of the reduced picture after its slow part is taken off, relative to its level; half of a
    tile may overlap the next. Tiles with clipped samples are left out.
    """
    rows, columns = frame.shape
    margin = margin_of(size)
    tops = _starts(rows, size, margin)
    lefts = _starts(columns, size, margin)
    if not tops or not lefts:
        return []
    small = frame.reduced(1500)
    block = max(1.0, rows / small.shape[0])
    fine = small - cv2.GaussianBlur(small, (0, 0), max(1.5, 24.0 / block))
    # where the noise of light goes with its root, detail counts against it
    energy = fine**2 / np.maximum(small, 0.02 * float(np.median(small)) + 1.0)
    scored = []
    for top in tops:
        for left in lefts:
            y0, x0, side = int(top / block), int(left / block), max(2, int(size / block))
            scored.append((float(np.mean(energy[y0 : y0 + side, x0 : x0 + side])), top, left))
    scored.sort(reverse=True)
    chosen: list[tuple[int, int]] = []
    for _, top, left in scored:
        if len(chosen) == most:
            break
        if any(abs(top - y) < size // 2 and abs(left - x) < size // 2 for y, x in chosen):
            continue
        if frame.crop(top, left, size, size)[1] > _CLIPPED_SHARE:
            continue
        chosen.append((top, left))
    return chosen


def clipped(share: float) -> bool:
    """Tell whether a share of clipped samples spoils a tile."""
    return share > _CLIPPED_SHARE


def _starts(extent: int, size: int, margin: int) -> list[int]:
    """Return the first row or column of tiles, half a tile apart."""
    room = extent - size - 2 * margin
    if room < 0:
        return []
    count = 1 + int(room // (size // 2))
    return [margin + round(room * k / max(1, count - 1)) for k in range(count)] if count > 1 else [margin + room // 2]
