"""How a frame is exposed: what the raw samples say, and what the camera's own histogram shows of it.

A camera draws its histogram from the developed picture: white balance, tone curve and colour push samples to 255 that
the sensor had not filled. So the shares clipped are counted in both, and the difference is what could be brought back.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from kitgauge.exposure import MIDGREY_FRACTION_OF_SATURATION
from kitgauge.frames.mosaic import Mosaic, Plane
from kitgauge.measure.noise.scene_noise import SceneNoise, scene_noise
from kitgauge.review.kit import PixelNoise

GREENS = ("G", "G1", "G2")
HIGHLIGHT_SHARE = 1e-3  # of the samples: what is brighter may be a reflex or a hot pixel
_GRID_LONG_SIDE = 400
_CELL = 4  # samples of a plane whose mean tells the light on them
_STRIDE_FROM = 3_000_000


@dataclass(frozen=True)
class ColourExposure:
    """One colour of the pattern.

    `clipped_share` of its samples at the white level; `headroom_stops` by which the frame could have been brighter
    before more than a thousandth of them clipped, 0 where they are.
    """

    colour: str
    clipped_share: float
    headroom_stops: float


@dataclass(frozen=True)
class HistogramSeen:
    """What the camera's histogram shows, from the developed picture of the same exposure.

    `source`: "JPEG beside the raw file", "preview in the raw file", or the frame itself. `white_share`: of its pixels
    with any colour at its highest code; `white_only_there_share`: of the frame, white there while no sample of the raw
    file is clipped (None for a developed picture alone); `black_share`: of pixels with all colours at 0.
    """

    source: str
    white_share: float
    black_share: float
    white_only_there_share: float | None


@dataclass(frozen=True)
class ExposureSeen:
    """Exposure of one frame. None is unknown.

    `level_stops`: median green against mid-grey (10/78 of saturation for raw: ISO 12232; 118 of 255 for a developed
    picture), > 0 brighter. `shadow_share`: of the frame with a signal-to-noise ratio under 1 per sample;
    `shadow_basis` "measured run" or "estimated from this frame". `snr_median`: of one sample at the median level.
    """

    colours: tuple[ColourExposure, ...]
    level_stops: float | None
    shadow_share: float | None
    shadow_basis: str
    snr_median: float | None
    histogram: HistogramSeen | None
    histogram_missing: str

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return asdict(self)


def noise_of(mosaic: Mosaic, measured: PixelNoise | None) -> tuple[SceneNoise | None, str]:
    """Return the noise of a green sample and where it is known from: the kit, else the frame itself."""
    if measured is not None and not mosaic.rendered:
        read_dn = measured.read_noise_e / measured.gain_e_per_dn
        return SceneNoise(read_dn**2 + 1.0 / 12.0, 1.0 / measured.gain_e_per_dn, 0), "measured run"
    planes = [plane for plane in mosaic.planes() if plane.colour in GREENS][:4]
    found = scene_noise((plane.samples, plane.black_dn, plane.white_dn) for plane in planes)
    return found, "estimated from this frame" if found is not None else "unknown"


def exposure_seen(
    mosaic: Mosaic,
    noise: SceneNoise | None,
    noise_basis: str,
    developed: NDArray[Any] | None,
    developed_source: str,
    midgrey: float = MIDGREY_FRACTION_OF_SATURATION,
) -> ExposureSeen:
    """Return how a frame is exposed.

    `developed` (row, column) or (row, column, colour): codes of the developed picture of the same exposure, any size,
    as the camera stores it; None where there is none, and `developed_source` says why.
    """
    planes = list(mosaic.planes())
    colours = () if mosaic.rendered else tuple(_colour(name, planes) for name in _colour_names(planes))
    greens = [plane for plane in planes if plane.colour in GREENS]
    span = greens[0].white_dn - float(np.mean([plane.black_dn for plane in greens]))
    cells = [_cells(plane) for plane in greens[:4]]
    median_dn = float(np.median(np.concatenate([cell.ravel() for cell in cells])))
    shadow = None
    if noise is not None and not mosaic.rendered:
        dark = noise.level_of_snr(1.0)
        shadow = float(np.mean([np.mean(cell < dark) for cell in cells]))
    histogram = None
    if developed is not None:
        histogram = _histogram(developed, developed_source, None if mosaic.rendered else mosaic)
    return ExposureSeen(
        colours=colours,
        level_stops=math.log2(median_dn / span / midgrey) if median_dn > 0 else None,
        shadow_share=shadow,
        shadow_basis=noise_basis if shadow is not None else "unknown",
        snr_median=None if noise is None or median_dn <= 0 or mosaic.rendered else noise.snr(median_dn),
        histogram=histogram,
        histogram_missing="" if developed is not None else developed_source,
    )


def _colour_names(planes: list[Plane]) -> list[str]:
    return [name for name in ("R", "G", "B") if any(plane.colour[0] == name for plane in planes)]


def _colour(name: str, planes: list[Plane]) -> ColourExposure:
    own = [plane for plane in planes if plane.colour[0] == name]
    clipped, brightest = [], []
    for plane in own:
        clipped.append(float(np.mean(plane.samples >= plane.white_dn)))
        stride = 2 if plane.samples.size > _STRIDE_FROM else 1
        high = float(np.quantile(plane.samples[::stride, ::stride], 1.0 - HIGHLIGHT_SHARE))
        brightest.append((high - plane.black_dn) / (plane.white_dn - plane.black_dn))
    top = max(brightest)
    headroom = math.inf if top <= 0 else max(0.0, -math.log2(top))
    return ColourExposure(name, float(np.mean(clipped)), headroom)


def _cells(plane: Plane) -> NDArray[np.float32]:
    """Return means over cells of a plane [DN, black subtracted]: light with little of its noise."""
    rows, columns = (size - size % _CELL for size in plane.samples.shape)
    small = cv2.resize(
        plane.samples[:rows, :columns].astype(np.float32),
        (columns // _CELL, rows // _CELL),
        interpolation=cv2.INTER_AREA,
    )
    return np.asarray(small - np.float32(plane.black_dn), np.float32)


def _histogram(codes: NDArray[Any], source: str, mosaic: Mosaic | None) -> HistogramSeen:
    top = np.iinfo(codes.dtype).max
    white, black = codes == top, codes == 0
    if codes.ndim == 3:
        white, black = white.any(axis=2), black.all(axis=2)
    only = None
    if mosaic is not None:
        clipped = mosaic.samples >= mosaic.white_dn
        rows, columns = clipped.shape
        if (rows > columns) != (white.shape[0] > white.shape[1]):
            white = np.rot90(white)  # stored upright; which way does not matter to shares that are compared by area
            clipped_turned = [clipped, clipped[::-1, ::-1]]
        else:
            clipped_turned = [clipped]
        scale = _GRID_LONG_SIDE / max(rows, columns)
        grid = (max(1, round(columns * scale)), max(1, round(rows * scale)))
        there = _share(white, grid)
        # a sample clips at one position of the pattern: its neighbourhood counts
        only = min(float(np.mean(np.where(_share(raw, grid) > 0, 0.0, there))) for raw in clipped_turned)
    return HistogramSeen(source, float(np.mean(white)), float(np.mean(black)), only)


def _share(mask: NDArray[np.bool_], grid: tuple[int, int]) -> NDArray[np.float32]:
    return np.asarray(cv2.resize(mask.astype(np.float32), grid, interpolation=cv2.INTER_AREA), np.float32)
