"""Widths of the edges of everyday scenes: true spreads recovered at every scale, and what is no edge left out."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from everyday_scenes import BLACK_DN, WHITE_DN, Blur, blurred, draw, green, sensor

from kitgauge.measure.blur.natural_edges import natural_edges

SHAPE = (400, 600)
# photon noise 0.81 DN^2 per DN and read noise of 3 e-, as `sensor` has them
NOISE = (6.0, 0.81)


def edges_in(light, seed=1, *, mask=None, noise=NOISE, **how):
    samples = sensor(light, seed, **how)
    mask = green(samples.shape) if mask is None else mask
    return natural_edges(samples.astype(np.float32) - np.float32(BLACK_DN), mask, samples >= WHITE_DN, noise)


def gaussian_spread(edges):
    return np.sqrt(np.maximum(edges.variance_px2, 0.0))


@pytest.mark.parametrize("spread_px", [0.5, 1.0, 2.0, 4.5, 9.0])
def test_spreads_of_lone_edges_are_recovered_at_every_scale(spread_px):
    # a square, turned: its normal profile is exactly a normal one of this spread, and the pixel's area (1/12)
    shape, finer = (500, 700), 3
    fine = np.full((shape[0] * finer, shape[1] * finer), 0.2, np.float32)
    turned = cv2.boxPoints(((1050.0, 750.0), (700.0, 700.0), 17.0))
    cv2.fillPoly(fine, [np.rint(turned).astype(np.int32)], 0.7)
    edges = edges_in(blurred(fine, Blur(lens_sigma_px=spread_px)))
    assert edges.count >= 8
    true = math.hypot(spread_px, math.sqrt(1 / 12))
    assert np.median(gaussian_spread(edges)) == pytest.approx(true, rel=0.04)
    # but for the corners, which blur rounds off
    assert np.mean(np.abs(np.mod(edges.normal_deg, 90.0) - 17.0) < 2.0) > 0.9


def test_noise_alone_has_no_edges():
    rng = np.random.default_rng(3)
    light = np.full(SHAPE, 0.1, np.float32)
    assert edges_in(light, full_well_e=500).count == 0
    # nor has a texture of noise that is finer than an edge is long
    texture = cv2.GaussianBlur(rng.standard_normal(SHAPE).astype(np.float32), (0, 0), 1.0)
    assert edges_in(0.3 + 0.05 * texture / texture.std()).count < 20


def test_one_green_in_four_of_a_larger_pattern_serves_too():
    light = blurred(draw("leaves", SHAPE, 5), Blur())
    rows, columns = np.indices(SHAPE)
    sparse = (rows % 2 == 0) & (columns % 2 == 1)
    thin, full = edges_in(light, mask=sparse), edges_in(light, mask=np.ones(SHAPE, bool))
    assert full.count > 50 and thin.count > 20
    assert np.median(gaussian_spread(full)) == pytest.approx(0.58, abs=0.05)
    assert np.median(gaussian_spread(thin)) == pytest.approx(0.58, abs=0.12)


def test_the_naive_width_of_filled_in_samples_is_too_large():
    """Filling gaps between green samples and taking the slope's second moment reads blur that is not there."""
    light = blurred(draw("leaves", SHAPE, 5), Blur())
    signal = sensor(light, 1).astype(np.float32) - np.float32(BLACK_DN)
    mask = green(SHAPE)
    kernel = np.array([[0, 1, 0], [1, 4, 1], [0, 1, 0]], np.float32)
    weights = cv2.filter2D(mask.astype(np.float32), -1, kernel)
    filled = cv2.filter2D(signal * mask, -1, kernel) / weights
    measured = edges_in(light)
    upright = np.flatnonzero((np.mod(measured.normal_deg + 15, 180) < 30) & (measured.level == 0))
    naive = []
    for index in upright:
        row, column = round(measured.y_px[index]), round(measured.x_px[index])
        slope = np.abs(np.diff(filled[row, column - 6 : column + 7]))
        place = np.arange(slope.size) + 0.5 - 6
        middle = np.sum(slope * place) / slope.sum()
        naive.append(math.sqrt(np.sum(slope * (place - middle) ** 2) / slope.sum()))
    assert np.median(gaussian_spread(measured)) == pytest.approx(0.58, abs=0.05)
    assert np.median(naive) > 1.3 * 0.58


def test_clipped_places_are_left_out():
    light = blurred(draw("houses", SHAPE, 4), Blur())
    edges = edges_in(light, level=4.0)
    clipped = sensor(light, 1, level=4.0) >= WHITE_DN
    for x, y in zip(edges.x_px, edges.y_px, strict=True):
        assert not clipped[round(y), round(x)]


def test_a_frame_too_small_for_edges_gives_none():
    assert edges_in(np.full((20, 20), 0.3, np.float32)).count == 0
