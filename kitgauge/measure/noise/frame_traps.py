"""What the samples of a single frame tell of the file: scaling, packing, cut-down peaks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.measure.noise.block_coding import packed_by_transform, packed_in_blocks, packed_in_steps
from kitgauge.measure.noise.code_histogram import missing_code_share
from kitgauge.measure.noise.digital_scaling import CodeScale, code_scale
from kitgauge.measure.noise.neighbour_filter import peaks_cut_down, sample_bands

# All four: common practice, no source.
MISSING_CODES = 0.02
_SCALED_BY = 0.004  # least departure of a factor from 1
_NARROW_DN = 1.0  # packing is not judged where most samples lie on a few codes ...
_PEAKS_FROM_DN = 1.5  # ... nor are peaks, where whole rows tie with their neighbours


@dataclass(frozen=True)
class FrameTraps:
    """Findings in the samples of one plane of one frame; `flags` in the order of the registry."""

    scale: CodeScale
    missing_code_share: float
    packed: float  # share of blocks, of steps or of a line that tells of packing; 0 none
    flags: tuple[str, ...]


def frame_traps(
    plane: NDArray[np.uint16], counts: NDArray[np.int64], sigma_dn: float, *, textured: bool = False
) -> FrameTraps:
    """Return what one frame tells of its file.

    plane : (row, column) samples of one colour plane; counts : its histogram (`code_counts`); sigma_dn : standard
    deviation of one frame's temporal noise [DN]; textured : the frame shows structure, so that peaks are not judged
    (neighbours are alike in it).
    """
    scale = code_scale(counts)
    missing = missing_code_share(counts)
    gaps = missing > MISSING_CODES
    packed = lost = 0.0
    if sigma_dn > _NARROW_DN:
        bands = sample_bands(plane)
        if not gaps and not abs(scale.factor - 1.0) > _SCALED_BY:
            packed = packed_in_blocks(bands) or packed_in_steps(bands) or packed_by_transform(bands, sigma_dn)
        if not textured and sigma_dn > _PEAKS_FROM_DN:
            lost = peaks_cut_down(bands, sigma_dn)
    flags = {
        "missing-codes": gaps and not scale.uneven_gaps,
        "scaled-down": scale.factor < 1.0 - _SCALED_BY,
        "lossy-raw": scale.uneven_gaps or packed > 0,
        "neighbour-filtered": lost > 0,
    }
    return FrameTraps(scale, missing, packed, tuple(name for name, up in flags.items() if up))
