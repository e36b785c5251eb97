"""Power spectra of blocks: white noise keeps all its power, smoothed noise what its closed form says."""

from __future__ import annotations

import math

import numpy as np
import pytest
from developed_pictures import noise_field

from kitgauge.errors import MeasurementError
from kitgauge.measure.developed.picture_blocks import (
    MOST_BLOCKS,
    block_grid,
    coefficients,
    light_bands,
    lowest_densities,
    ring_bands,
    square_bands,
    supposed_rise,
    window,
)


def powers(picture, weights=square_bands):
    grid = block_grid(picture.shape)
    size = grid.size
    spectra = [
        np.square(np.abs(coefficients(picture[top : top + size, left : left + size].astype(np.float32)))).ravel()
        for top, left in zip(grid.tops, grid.lefts, strict=True)
    ]
    return np.array(spectra) @ weights(size), grid


def test_window_keeps_power():
    # Parseval: the sum of |DFT(w x)|^2 is N^2 sum |w x|^2; for unit variance w^2 must add to 1 / N^2
    for size in (32, 128):
        assert float(np.square(window(size), dtype=np.float64).sum()) == pytest.approx(size**-2, rel=1e-5)


@pytest.mark.parametrize("size", [32, 64, 128])
@pytest.mark.parametrize("bands", [False, True])
def test_white_density_counts_as_area(size, bands):
    """Equal density everywhere must give (k / 16)^2 of the whole, whatever was left out and filled in."""
    density = np.full(size * (size // 2 + 1), 1.0 / size**2)
    assert density @ square_bands(size, bands) == pytest.approx((np.arange(1, 17) / 16) ** 2, abs=1e-12)


def test_rings_cover_what_lies_within_half_a_cycle():
    size = 128
    counted = ring_bands(size, (0.0, 0.25, 0.5)).sum(axis=0)
    area = math.pi * np.array([0.25**2, 0.5**2 - 0.25**2]) * size**2
    assert counted == pytest.approx(area - [9, 0], rel=0.01)  # the nine lowest frequencies count in none


def with_rise(picture):
    """Return power (band,) with what has to be supposed at the lowest frequencies, its doubt and its chance error."""
    power, grid = powers(picture)
    densities, _ = powers(picture, lowest_densities)
    rise, doubt = supposed_rise(grid.size, *densities.mean(axis=0))
    return power.mean(axis=0) + rise, doubt, power.std(axis=0) * grid.error_of_mean(len(power))


@pytest.mark.parametrize("smoothing", [0.0, 1.0, 2.0, 4.0, 8.0])
def test_variance_of_smoothed_noise(smoothing):
    power, doubt, error = with_rise(noise_field(np.random.default_rng(5), (900, 1300), smoothing))
    assert power[-1] == pytest.approx(1.0, abs=3.5 * math.hypot(error[-1], doubt[-1]))
    assert error[-1] < 0.05
    # blocks of 128 pixels tell little of blotches of 8 pixels' standard deviation, and the doubt says so
    assert doubt[-1] < {0.0: 0.001, 1.0: 0.001, 2.0: 0.002, 4.0: 0.02, 8.0: 0.2}[smoothing]
    assert smoothing < 8 or doubt[-1] > 0.05


def test_the_rise_is_that_of_a_gaussian():
    """Independent: densities exp(-4 pi^2 s^2 f^2) put in, bin by bin; their sum must come back, as without a window."""
    for smoothing in (2.0, 6.0):
        size = 128
        f = np.fft.fftfreq(size)
        density = np.exp(-4 * math.pi**2 * smoothing**2 * np.add.outer(f**2, f[: size // 2 + 1] ** 2))
        whole = np.exp(-4 * math.pi**2 * smoothing**2 * np.add.outer(f**2, f**2)).sum()
        rise, _ = supposed_rise(size, *(density.ravel() @ lowest_densities(size)))
        level = density.ravel() @ square_bands(size)
        assert level[-1] + rise[-1] == pytest.approx(whole, rel=0.01)
        assert level[-1] < (0.999 if smoothing == 2 else 0.95) * whole
    assert supposed_rise(128, 1.0, 1.5)[0].max() == 0.0  # nothing is supposed where density falls towards 0


@pytest.mark.parametrize("smoothing", [1.0, 2.0])
def test_share_below_a_frequency_is_that_of_a_gaussian(smoothing):
    """Power density exp(-4 pi^2 s^2 f^2): the square |fx|, |fy| <= f holds erf(2 pi s f)^2 (closed form)."""
    power, _ = powers(noise_field(np.random.default_rng(6), (900, 1300), smoothing))
    share = power.mean(axis=0) / power[:, -1].mean()
    frequencies = 0.5 * np.arange(1, 16) / 16
    expected = np.array([math.erf(2 * math.pi * smoothing * f) ** 2 for f in frequencies])
    assert share[:-1] == pytest.approx(expected, rel=0.04, abs=0.002)


def test_tile_means_taken_away_would_lose_low_frequencies():
    """The naive way, variance about the mean of small tiles, loses what noise reduction left."""
    picture = noise_field(np.random.default_rng(7), (896, 1280), 4.0)
    tiles = picture.reshape(56, 16, 80, 16)
    naive = float((tiles - tiles.mean(axis=(1, 3), keepdims=True)).var())
    assert naive < 0.75  # of a true variance of 1
    assert with_rise(picture)[0][-1] == pytest.approx(1.0, abs=0.06)


def test_slope_of_light_does_not_count():
    rng = np.random.default_rng(8)
    noise = rng.standard_normal((640, 960))
    slope = np.linspace(-15.0, 15.0, 960)[None, :]  # four standard deviations within a block: variance 4^2 / 12
    clean, _ = powers(noise)
    sloped, _ = powers(noise + slope)
    assert (noise + slope)[:128, :128].var() > 2.2
    assert sloped[:, -1].mean() == pytest.approx(clean[:, -1].mean(), rel=0.03)


def test_bands_of_light_can_be_left_out():
    rng = np.random.default_rng(9)
    rows = np.arange(900)[:, None]
    bands = 0.5 * np.sin(2 * np.pi * rows / 37.0)
    power, grid = powers(rng.standard_normal((900, 1300)) + bands)
    assert power[:, -1].mean() > 1.1
    steady, _ = powers(rng.standard_normal((900, 1300)) + bands, lambda size: square_bands(size, True))
    assert steady[:, -1].mean() == pytest.approx(1.0, abs=0.02)
    horizontal, vertical, fine = powers(bands + rng.standard_normal((900, 1300)), light_bands)[0].mean(axis=0)
    assert horizontal == pytest.approx(0.125, rel=0.1)  # 0.5^2 / 2
    assert max(vertical, fine) < 0.02
    assert grid.overlapping


def test_blocks_of_large_and_small_pictures():
    large = block_grid((4000, 6000))
    assert (large.size, large.overlapping, len(large.tops)) == (128, False, MOST_BLOCKS)
    assert large.tops.max() + 128 <= 4000 and large.lefts.max() + 128 <= 6000
    assert large.tops.min() < 128 and large.tops.max() > 3700
    assert block_grid((100, 150)).size == 32
    assert block_grid((200, 300)).size == 64
    with pytest.raises(MeasurementError, match="too small"):
        block_grid((63, 500))


@pytest.mark.statistical
def test_error_of_the_mean_of_overlapping_blocks():
    """The scatter of the mean over seeds is what the blocks of one picture say of it."""
    means, errors = [], []
    for seed in range(60):
        power, grid = powers(np.random.default_rng(seed).standard_normal((400, 600)))
        means.append(power[:, -1].mean())
        errors.append(power[:, -1].std(ddof=1) * grid.error_of_mean(len(power)))
    # 60 seeds tell a standard deviation to 9 %; blocks at the rim have fewer neighbours, so errors are a little wide
    assert np.std(means, ddof=1) / np.mean(errors) == pytest.approx(1.0, abs=0.25)
