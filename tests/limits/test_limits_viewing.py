"""Size of a picture as it is seen, and the noise that it shows: against resampling of simulated noise by SciPy and
OpenCV."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from scipy import ndimage, signal

from kitgauge.limits.viewing import (
    picture_megapixels,
    picture_noise_power,
    picture_scale,
    print_megapixels,
    relative_power_below,
)
from kitgauge.measure.noise.noise_spectrum import SpectrumSums

SIDE = 1152
SMOOTH = np.array([0.25, 0.5, 0.25])


def mosaic(rng, pitch, kernel):
    """Noise of a sensor of variance 1 whose colour planes, each smoothed on its own, lie `pitch` samples apart."""
    noise = np.empty((SIDE, SIDE))
    for row in range(pitch):
        for column in range(pitch):
            plane = rng.standard_normal((SIDE // pitch, SIDE // pitch))
            for axis in (0, 1):
                plane = ndimage.convolve1d(plane, kernel, axis=axis, mode="wrap")
            noise[row::pitch, column::pitch] = plane
    return noise / noise.std()


def spectrum_of(plane):
    sums = SpectrumSums(plane.shape[1])
    for top in range(0, len(plane) - 31, 32):
        sums.add(plane[top : top + 32].astype(np.float32))
    return sums.power_below()


@pytest.mark.parametrize("pitch", [1, 2, 3])
@pytest.mark.parametrize("kernel", [SMOOTH, np.array([-0.2, 0.8, -0.2])], ids=["smooth", "sharp"])
def test_noise_of_the_picture_agrees_with_resampling(pitch, kernel):
    noise = mosaic(np.random.default_rng(pitch), pitch, kernel)
    spectrum = spectrum_of(noise[::pitch, ::pitch])
    for side in (900, 665, 500, 300, 150):
        picture = signal.resample(signal.resample(noise, side, axis=0), side, axis=1)  # ideal low-pass
        power = picture_noise_power(spectrum, pitch, SIDE**2, side**2 / 1e6)
        # variance of a picture of n pixels of 22,500 or more: sqrt(2 / n) of it where they are independent
        assert picture.var() == pytest.approx(power * (side / SIDE) ** 2, rel=0.06)
    # white noise taken for granted is wrong by more than 60 % of the smallest picture's variance
    assert picture.var() != pytest.approx((side / SIDE) ** 2, rel=0.6)


def test_averaging_whole_blocks_is_near():
    # the mean of n x n samples passes a sinc instead of a square band: the same of white noise, near it otherwise
    noise = mosaic(np.random.default_rng(5), 2, SMOOTH)
    picture = cv2.resize(noise, (SIDE // 6, SIDE // 6), interpolation=cv2.INTER_AREA)
    power = picture_noise_power(spectrum_of(noise[::2, ::2]), 2, SIDE**2, (SIDE / 6) ** 2 / 1e6)
    assert picture.var() == pytest.approx(power / 36, rel=0.25)
    assert picture.var() > 3 / 36


def test_closed_forms_of_the_power_below():
    white = [1.0] * 16
    for share in (0.01, 0.3, 0.77, 1.0, 1.3, 2.0, 3.7):
        assert relative_power_below(white, share) == pytest.approx(1.0)
    # all power below half the Nyquist frequency: density 4 within, then falling as 1 / share^2
    low = [min(4.0, (16 / (k + 1)) ** 2) for k in range(16)]
    assert relative_power_below(low, 0.5) == pytest.approx(4.0) and relative_power_below(low, 0.1) == pytest.approx(4.0)
    assert relative_power_below(low, 0.75) == pytest.approx(1 / 0.75**2)
    assert relative_power_below(low, 0.8) == pytest.approx(1 / 0.64, rel=2e-3)  # between two bands
    # repeated beyond: nothing new up to 1.5, all of the next period by 2
    assert relative_power_below(low, 1.5) == pytest.approx(1 / 2.25)
    assert relative_power_below(low, 2.0) == pytest.approx(1.0)
    assert relative_power_below(low, 2.5) == pytest.approx(9 / 6.25)
    for wrong in (0.0, -1.0, math.nan):
        with pytest.raises(ValueError, match="wider than 0"):
            relative_power_below(white, wrong)


def test_an_enlargement_averages_nothing():
    low = [min(4.0, (16 / (k + 1)) ** 2) for k in range(16)]
    assert picture_noise_power(low, 1, 2e6, 8.0) == 1.0 and picture_noise_power(None, 2, 24e6, 8.0) == 1.0
    assert picture_noise_power(low, 1, 24e6, 1.5) == pytest.approx(4.0)
    assert picture_scale(24e6, 6.0) == 2.0 and picture_scale(2e6, 8.0) == 0.5 and picture_scale(24e6, 6.0, 4.0) == 1.0


def test_pixels_that_the_eye_tells_apart():
    # Snellen and Landolt: 1 arcminute at 6 m is 1.745 mm (20/20 letters of five such strokes are 8.73 mm high; from
    # memory), so a print 600 cm x 400 cm at 6 m shows 3438 x 2292
    assert print_megapixels(600, 600, (4000, 6000)) == pytest.approx(3437.75 * 2291.83 / 1e6, rel=1e-4)
    # half the distance, four times the pixels; upright or not
    assert print_megapixels(30, 20, (6000, 4000)) == pytest.approx(4 * print_megapixels(30, 40, (4000, 6000)))
    # common practice: 300 pixels an inch at 30 cm (about 290 at one arcminute)
    assert 2.54 / (30 * math.tan(math.radians(1 / 60))) == pytest.approx(291, abs=1)
    assert print_megapixels(2.54, 30, (100, 100)) == pytest.approx(0.291**2, rel=0.01)
    assert picture_megapixels(30, 40, (4000, 6000)) == print_megapixels(30, 40, (4000, 6000)) < 24
    assert picture_megapixels(300, 40, (4000, 6000)) == 24.0
