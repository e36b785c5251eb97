"""The noise spectrum against transfer functions of known filters, and against what must not be in it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import ndimage

from kitgauge.measure.noise.noise_spectrum import BANDS, SpectrumSums, is_white, spectrum_stderr, white_stderr

SMOOTH = np.array([0.25, 0.5, 0.25])
KERNELS = {"three": SMOOTH, "five": np.full(5, 0.2), "sharpened": np.array([-0.2, 0.8, -0.2])}


def filtered(rng, shape, kernel):
    noise = rng.standard_normal(shape)
    for axis in (0, 1):
        noise = ndimage.convolve1d(noise, kernel, axis=axis, mode="wrap")
    return noise / noise.std()


def sums_of(noise, height=32):
    sums = SpectrumSums(noise.shape[1])
    for top in range(0, len(noise) - height + 1, height):
        sums.add(noise[top : top + height].astype(np.float32))
    return sums


def expected(kernel):
    """|H|^2 of the filter on a fine grid of frequencies, its mean within each square over its mean everywhere."""
    size = 1 << 14
    frequency = np.abs(np.fft.fftfreq(size))
    power = np.abs(np.fft.fft(kernel, size)) ** 2
    along = [power[frequency <= 0.5 * k / BANDS].mean() / power.mean() for k in range(1, BANDS + 1)]
    return np.square(along)


@pytest.mark.parametrize("name", KERNELS)
def test_filtered_noise_has_the_spectrum_of_its_filter(name):
    rng = np.random.default_rng(1)
    kernel = KERNELS[name]
    spectrum = np.mean([sums_of(filtered(rng, (768, 1024), kernel)).power_below() for _ in range(2)], axis=0)
    true = expected(kernel)
    # error of chance, and 2 % of the power (1 % of SNR) for what 32 samples do not resolve
    error = 4 * np.array(white_stderr(2 * 768)) * true
    assert np.all(np.abs(spectrum - true) < error + 0.02 * true + 0.002)
    assert spectrum[-1] == 1.0
    assert not is_white(spectrum, white_stderr(2 * 768))
    # the naive estimator, each block's mean taken off and nothing put back, misses a quarter of the lowest band
    blocks = filtered(rng, (768, 1024), SMOOTH).reshape(24, 32, 32, 32).swapaxes(1, 2).reshape(-1, 32, 32)
    power = (np.abs(np.fft.fft2(blocks - blocks.mean(axis=(1, 2), keepdims=True))) ** 2).mean(axis=0)
    assert power[:2, :2].sum() / 4 / power.mean() < 0.8 * expected(SMOOTH)[0]


@pytest.mark.statistical
def test_errors_of_white_noise():
    rng = np.random.default_rng(2)
    seeds = 400
    spectra = np.array([sums_of(rng.standard_normal((128, 256))).power_below() for _ in range(seeds)])
    stderr = np.array(white_stderr(32))
    pulls = (spectra[:, :-1] - 1.0) / stderr[:-1]
    assert np.all(np.abs(pulls.mean(axis=0)) < 4.5 / math.sqrt(seeds))
    assert np.std(pulls, axis=0) == pytest.approx(1.0, abs=0.12)  # 3.4 standard errors of 400
    assert sum(not is_white(spectrum, stderr) for spectrum in spectra) <= 2


def test_white_within_its_error_and_no_further():
    stderr = white_stderr(100)
    assert stderr[0] == pytest.approx(2 * white_stderr(400)[0]) and stderr[-1] == pytest.approx(0.0, abs=1e-12)
    assert is_white([1.0] * BANDS, stderr)
    assert is_white([1.0 + 3 * error for error in stderr], stderr)
    assert not is_white([1.0] * 8 + [1.0 + 0.02 + 5 * stderr[8]] + [1.0] * 7, stderr)
    # 1 % of power is no matter, however well it is known
    assert is_white([1.01] * 15 + [1.0], white_stderr(1e6))
    assert is_white([math.nan] * BANDS, stderr) and is_white([0.5] * BANDS, white_stderr(0))


def test_rows_columns_slopes_and_steps_of_light_do_not_count():
    rng = np.random.default_rng(3)
    white = rng.standard_normal((512, 512))
    rows, columns = rng.standard_normal((512, 1)), rng.standard_normal((1, 512))
    slope = np.linspace(-3, 3, 512)
    disturbed = white + rows + columns + slope + slope[:, None] + 2.0
    clean, found = (sums_of(noise) for noise in (white, disturbed))
    assert found.power_below() == pytest.approx(clean.power_below(), rel=0.02, abs=0.005)
    assert is_white(found.power_below(), white_stderr(found.blocks))
    # taken as it is, that noise looks anything but white
    blocks = disturbed.reshape(16, 32, 16, 32).swapaxes(1, 2).reshape(-1, 32, 32)
    power = (np.abs(np.fft.fft2(blocks - blocks.mean(axis=(1, 2), keepdims=True))) ** 2).mean(axis=0)
    assert power[0, 1:].mean() > 10 * power[1:, 1:].mean()


def test_low_bands_of_tiles_are_served_by_small_blocks():
    rng = np.random.default_rng(4)
    sums = sums_of(filtered(rng, (512, 512), SMOOTH), height=17)
    # 16 samples resolve less: two bands share a wave
    assert sums.power_below()[7:] == pytest.approx(expected(SMOOTH)[7:], rel=0.05)
    assert 0 < sums.blocks < 512 * 512 / 1024


def test_nothing_is_unknown():
    assert all(math.isnan(value) for value in SpectrumSums(500).power_below())
    still = SpectrumSums(500)
    still.add(np.zeros((32, 500), np.float32))
    still.add(np.zeros((8, 500), np.float32))
    assert all(math.isnan(value) for value in still.power_below())
    assert white_stderr(0) == (math.inf,) * BANDS


@pytest.mark.statistical
@pytest.mark.parametrize("name", KERNELS)
def test_errors_of_noise_that_is_not_white(name):
    rng = np.random.default_rng(5)
    seeds, kernel = 300, KERNELS[name]
    spectra = np.array([sums_of(filtered(rng, (128, 256), kernel)).power_below() for _ in range(seeds)])
    true = expected(kernel)
    stderr = np.array(spectrum_stderr(true, 32))[:-1]
    # the errors of white noise are off by a factor of 2 and more somewhere
    scatter = spectra[:, :-1].std(axis=0)
    assert np.max(np.abs(np.log2(scatter / np.array(white_stderr(32))[:-1]))) > 1.0
    assert np.sqrt(np.mean(((spectra[:, :-1] - true[:-1]) / stderr) ** 2, axis=0)) == pytest.approx(1.0, abs=0.25)
