"""Square blocks of a picture and their power spectra, for noise that reaches over many pixels.

Noise reduction leaves noise that is related over tens of pixels, so blocks are large, are tapered (Hann window) so
that strong low frequencies do not spill over into the weak high ones, and nothing is taken away from them but their
mean. The window spreads the mean, and a slope of the light, over the three lowest frequencies of each axis: those nine
are left out and filled in from the two rings of frequencies around them (power is even in frequency: over its square).
That loses nothing of white noise, and next to nothing of noise smoothed by a Gaussian, up to a standard deviation of
8 pixels in blocks of 128.

Source: P. D. Welch, The use of fast Fourier transform for the estimation of power spectra (1967), from memory: tapered
blocks, power over the sum of the squared window.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from kitgauge.errors import MeasurementError
from kitgauge.measure.noise.noise_spectrum import BANDS

BLOCK = 128
SMALLEST_BLOCK = 32
_BLOCKS_PER_SIDE = 3  # fewer of the full size: smaller blocks
MOST_BLOCKS = 640  # ten megapixels: power to a third of a percent; more only takes longer
# Half-overlapping Hann blocks share samples: sums of squares of neighbours are correlated by
# sum(w1^2 w2^2) / sum(w^4) = 3/35 along one axis, so the variance of a mean is (1 + 2 x 3/35)^2 as large.
OVERLAP_VARIANCE = (1.0 + 6.0 / 35.0) ** 2
_CORE = 1  # cycles per block that the window spreads the mean over
_NEAR, _FAR = 3, 5  # ... and out to where what they are filled in with comes from
_MOST_RISE = 8.0  # of density, from around the lowest frequencies to them
_FLICKER_SHARE = 16  # bands of light are looked for up to 1/16 of a cycle per pixel (16 pixels and longer)


@dataclass(frozen=True)
class BlockGrid:
    """Where the blocks lie: `size` samples a side, `tops` and `lefts` (block,) their first row and column.

    `overlapping` blocks share half of their samples with each neighbour.
    """

    size: int
    tops: NDArray[np.intp]
    lefts: NDArray[np.intp]
    shape: tuple[int, int]  # blocks down and across, were all of them taken
    overlapping: bool

    def error_of_mean(self, blocks: int) -> float:
        """Return what the standard deviation of single blocks is multiplied by for that of their mean."""
        return float(np.sqrt((OVERLAP_VARIANCE if self.overlapping else 1.0) / max(blocks, 1)))


def block_grid(shape: tuple[int, int]) -> BlockGrid:
    """Return the blocks of a picture of (rows, columns): 128 samples a side, half or a quarter in small pictures.

    Blocks overlap by half where all of them are not more than 640; of more than 640 without overlap, evenly spread
    ones are taken.

    MeasurementError where the picture has fewer than 64 rows or columns.
    """
    size = BLOCK
    while size > SMALLEST_BLOCK and min(shape) < _BLOCKS_PER_SIDE * size:
        size //= 2
    if min(shape) < 2 * size:
        raise MeasurementError(
            "the picture is too small to measure noise",
            got=f"{shape[0]} x {shape[1]} pixels",
            needed=f"at least {2 * size} x {2 * size}",
            fix="use whole pictures as the camera records them",
        )
    counts = [2 * (length // size) - 1 for length in shape]
    overlapping = counts[0] * counts[1] <= MOST_BLOCKS
    if not overlapping:
        counts = [length // size for length in shape]
    starts = [
        np.linspace(0, length - size, count).round().astype(np.intp)
        for length, count in zip(shape, counts, strict=True)
    ]
    tops, lefts = (axis.ravel() for axis in np.meshgrid(*starts, indexing="ij"))
    if len(tops) > MOST_BLOCKS:
        chosen = np.linspace(0, len(tops) - 1, MOST_BLOCKS).round().astype(np.intp)
        tops, lefts = tops[chosen], lefts[chosen]
    return BlockGrid(size, tops, lefts, (counts[0], counts[1]), overlapping)


@cache
def window(size: int) -> NDArray[np.float32]:
    """Return the two-dimensional Hann window, scaled so that power spectra add up to the variance."""
    along = np.sin(np.pi * (np.arange(size) + 0.5) / size) ** 2
    both = np.outer(along, along)
    return np.asarray(both / np.sqrt(np.square(both).sum()) / size, dtype=np.float32)


def coefficients(block: NDArray[np.float32]) -> NDArray[np.complex64]:
    """Return the Fourier coefficients of a tapered block, its mean taken away: (size, size / 2 + 1)."""
    size = block.shape[0]
    return np.asarray(fft.rfft2((block - block.mean()) * window(size)), dtype=np.complex64)


@cache
def square_bands(size: int, without_bands_of_light: bool = False) -> NDArray[np.float64]:
    """Return (frequency, 16): what power spectra (size, size / 2 + 1), flattened, are multiplied by for the power
    within |fx|, |fy| <= f_k, f_k = 0.5 k / 16 cycles per pixel.

    `without_bands_of_light`: what horizontal bands of 16 pixels or more hold is replaced too, from beside it.
    """
    down, across, doubled = _frequencies(size)
    weights = np.empty((size, size // 2 + 1, BANDS))
    for band in range(BANDS):
        end = (band + 1) * size / 2 / BANDS
        # a frequency stands for half a step to either side; the fastest one for both of its ends
        inside = [
            np.where(f == size // 2, float(band == BANDS - 1), np.clip(end + 0.5 - f, 0, 1)) for f in (down, across)
        ]
        weights[..., band] = inside[0][:, None] * inside[1][None, :] * doubled[None, :]
    return _filled(weights, down, across, without_bands_of_light).reshape(-1, BANDS)


@cache
def lowest_densities(size: int) -> NDArray[np.float64]:
    """Return (frequency, 2): flattened power spectra times this are the mean densities in the two rings of frequencies
    around the nine lowest, for `supposed_rise`."""
    down, across, _ = _frequencies(size)
    _, near, far, _ = _filling(down, across)
    return np.stack([near.ravel(), far.ravel()], axis=-1)


def supposed_rise(size: int, near: float, far: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return (16,) what `square_bands` has too little where density goes on rising to frequency 0, and its doubt.

    From the mean densities of the two rings: a straight line in the logarithm over squared frequency, which is that of
    noise smoothed by a Gaussian; the doubt is by how much a straight line of density itself differs. Both are 0 for
    white noise; where density falls towards 0, nothing is supposed.
    """
    down, across, _ = _frequencies(size)
    lead = _filling(down, across)[3]
    along = 1.0 + 2.0 * np.clip(np.arange(1, BANDS + 1) * (size / 2 / BANDS) - 0.5, 0, 1)
    if not near > far > 0:
        return np.zeros(BANDS), np.zeros(BANDS)
    curved, straight = near * (min((near / far) ** lead, _MOST_RISE) - 1.0), lead * (near - far)
    return along**2 * curved, along**2 * abs(curved - straight)


@cache
def ring_bands(size: int, edges: tuple[float, ...]) -> NDArray[np.float64]:
    """Return (frequency, band): what flattened power spectra are multiplied by for the power of each ring of
    frequencies, in cycles per pixel between neighbouring `edges`; the nine lowest frequencies count in none.
    """
    down, across, doubled = _frequencies(size)
    radius = np.hypot(down[:, None], across[None, :]) / size
    core = (down[:, None] <= _CORE) & (across[None, :] <= _CORE)
    rings = [
        np.where((radius > low) & (radius <= high) & ~core, doubled[None, :], 0.0) for low, high in pairwise(edges)
    ]
    return np.stack(rings, axis=-1).reshape(-1, len(edges) - 1)


@cache
def light_bands(size: int) -> NDArray[np.float64]:
    """Return (frequency, 3): flattened power spectra times this is the power in horizontal bands of 16 pixels
    or more, in vertical ones, and the mean density of horizontal ones of 8 to 16 pixels times the number of the first.
    """
    down, across, doubled = _frequencies(size)
    narrow = across[None, :] <= _CORE
    rows = (down[:, None] > _CORE) & (down[:, None] <= size // _FLICKER_SHARE) & narrow
    fine = (down[:, None] > size // _FLICKER_SHARE) & (down[:, None] <= 2 * size // _FLICKER_SHARE) & narrow
    columns = (across[None, :] > _CORE) & (across[None, :] <= size // _FLICKER_SHARE) & (down[:, None] <= _CORE)
    parts = [np.where(part, doubled[None, :], 0.0) for part in (rows, columns, fine)]
    parts[2] *= parts[0].sum() / parts[2].sum()
    return np.stack(parts, axis=-1).reshape(-1, 3)


def _frequencies(size: int) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return cycles per block down and across (absolute), and how often each column of a half spectrum counts."""
    down = np.abs(np.fft.fftfreq(size) * size)
    across = np.arange(size // 2 + 1, dtype=np.float64)
    return down, across, np.where((across == 0) | (across == size // 2), 1.0, 2.0)


def _filled(
    weights: NDArray[np.float64], down: NDArray[np.float64], across: NDArray[np.float64], without_bands: bool
) -> NDArray[np.float64]:
    """Give the weights of frequencies that are left out to those beside them."""
    weights = weights.copy()
    if without_bands:
        beside = (across > _CORE) & (across <= _NEAR)
        for row in np.flatnonzero((down > _CORE) & (down <= len(down) // _FLICKER_SHARE)):
            given = weights[row, across <= _CORE].sum(axis=0)
            weights[row, across <= _CORE] = 0.0
            weights[row, beside] += given / np.count_nonzero(beside)
    core, near, _, _ = _filling(down, across, without_bands)
    weights += near[..., None] * weights[core].sum(axis=0)
    weights[core] = 0.0
    return weights


def _filling(
    down: NDArray[np.float64], across: NDArray[np.float64], without_bands: bool = False
) -> tuple[NDArray[np.bool_], NDArray[np.float64], NDArray[np.float64], float]:
    """Return the frequencies that are filled in, the means over the two rings around them, (size, size / 2 + 1) each,
    and how far the middle lies beyond the inner ring, in steps of squared frequency from ring to ring."""
    farthest = np.maximum(down[:, None], across[None, :])
    squares = down[:, None] ** 2 + across[None, :] ** 2
    counted = np.where(across == 0, 1.0, 2.0)[None, :] * np.ones_like(squares)
    usable = np.broadcast_to(across > (_CORE if without_bands else -1), squares.shape)

    def mean_over(inner: float, outer: float, of: NDArray[np.bool_]) -> NDArray[np.float64]:
        part = counted * ((farthest > inner) & (farthest <= outer) & of)
        return np.asarray(part / part.sum())

    core = farthest <= _CORE
    near, far = mean_over(_CORE, _NEAR, usable), mean_over(_NEAR, _FAR, usable)
    of_core = float((mean_over(-1, _CORE, np.ones_like(core)) * squares).sum())
    of_near, of_far = float((near * squares).sum()), float((far * squares).sum())
    return core, near, far, (of_near - of_core) / (of_far - of_near)
