"""From frames to the picture: the SNR that the limit counts with, against the mosaic itself resampled by SciPy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import ndimage, signal

from kitgauge.limits.criteria import Criteria
from kitgauge.limits.picture import Picture
from kitgauge.measure.noise.dark_pair import measure_dark_pair
from kitgauge.measure.noise.noise_points import PlanePairs, noise_points
from kitgauge.measure.noise.photon_transfer import measure_flat_pair

BLACK, WHITE, GAIN, READ_DN, SIDE = 512.0, 4095.0, 0.4, 6.0, 1024
MIDGREY_DN = 10 / 78 * (WHITE - BLACK)
SMOOTH = np.array([0.25, 0.5, 0.25])


def frame(rng, level_dn, kernel):
    """A mosaic of four planes at one level, each smoothed on its own as noise reduction on raw files does."""
    mosaic = np.empty((SIDE, SIDE))
    for row in (0, 1):
        for column in (0, 1):
            shape = (SIDE // 2, SIDE // 2)
            plane = rng.poisson(level_dn * GAIN, shape) / GAIN + READ_DN * rng.standard_normal(shape)
            for axis in (0, 1):
                plane = ndimage.convolve1d(plane, kernel, axis=axis, mode="wrap")
            mosaic[row::2, column::2] = plane + BLACK
    return np.round(mosaic).astype(np.uint16)


@pytest.mark.statistical
@pytest.mark.parametrize("kernel", [np.array([1.0]), SMOOTH], ids=["white", "smoothed"])
def test_snr_of_the_picture_agrees_with_the_picture(kernel):
    rng = np.random.default_rng(11)
    flats = [frame(rng, MIDGREY_DN, kernel) for _ in range(2)]
    darks = [frame(rng, 0.0, kernel) for _ in range(2)]
    planes = []
    for colour, row, column in (("R", 0, 0), ("G1", 0, 1), ("G2", 1, 0), ("B", 1, 1)):
        (a, b), (c, d) = ([np.ascontiguousarray(one[row::2, column::2]) for one in pair] for pair in (flats, darks))
        planes.append(
            PlanePairs(colour, (measure_flat_pair(a, b, BLACK, WHITE),), (measure_dark_pair(c, d),), BLACK, "dark")
        )
    points = noise_points(1600, planes)
    green = next(point for point in points if point.channel == "G")
    ratios = []
    for side in (850, 600, 400, 250):
        picture = Picture.of(points, Criteria(output_mp=side**2 / 1e6), SIDE**2, (SIDE, SIDE))
        shown = signal.resample(signal.resample(flats[0] - BLACK, side, axis=0), side, axis=1)
        snr = picture.state(green).snr()
        # errors: sqrt(1 / 2n) of a standard deviation from n pixels, fewer where they are correlated, and 1 % of
        # the spectrum
        assert snr == pytest.approx(shown.mean() / shown.std(), rel=0.03)
        ratios.append(snr / (green.snr_midgrey * SIDE / side))
    if kernel.size == 1:
        assert ratios == pytest.approx([1.0] * 4, rel=1e-12)  # white noise is normalised by pixels alone
    else:
        # taken for white, the smallest picture's SNR would be given twice as good as it is, and that of the largest
        # too low: what the smoothing took away are frequencies that it shows
        assert ratios[-1] < 0.55 and ratios[0] > 1.05
        assert "correlated-noise" in green.flags
    assert math.isfinite(green.read_noise_e)
