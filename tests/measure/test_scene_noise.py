"""Noise of one everyday frame from its smooth places."""

from __future__ import annotations

import math

import numpy as np
import pytest
from everyday_scenes import BLACK_DN, SHARP_SCENES, WHITE_DN, Blur, blurred, draw, sensor

from kitgauge.measure.noise.scene_noise import SceneNoise, scene_noise

SHAPE = (400, 600)


def planes(samples):
    return [(samples[0::2, 1::2], BLACK_DN, WHITE_DN), (samples[1::2, 0::2], BLACK_DN, WHITE_DN)]


@pytest.mark.parametrize("kind", SHARP_SCENES)
@pytest.mark.parametrize("level", [1.0, 0.1])
def test_variance_at_the_median_is_right_within_a_third(kind, level):
    samples = sensor(blurred(draw(kind, SHAPE, 3), Blur()), 1, level=level, read_e=6.0)
    noise = scene_noise(planes(samples))
    assert noise is not None
    gain = (WHITE_DN - BLACK_DN) / 20_000.0
    median = float(np.median(samples)) - BLACK_DN
    true = (6.0 * gain) ** 2 + gain * median
    assert 0.85 < (noise.read_dn2 + noise.per_dn * median) / true < 1.35
    # the naive variance, of a plane about its mean, is that of the scene
    assert np.var(samples[0::2, 1::2].astype(float)) > 20 * true


def test_level_of_snr_solves_its_equation():
    noise = SceneNoise(9.0, 0.5, 0)
    for snr in (1.0, 10.0):
        assert noise.snr(noise.level_of_snr(snr)) == pytest.approx(snr)
    assert SceneNoise(4.0, 0.0, 0).level_of_snr(1.0) == pytest.approx(2.0)
    assert math.isnan(SceneNoise(0.0, 0.0, 0).snr(10.0))


def test_nothing_is_said_where_everything_is_clipped():
    full = np.full((200, 300), int(WHITE_DN), np.uint16)
    assert scene_noise([(full, BLACK_DN, WHITE_DN)]) is None
    assert scene_noise([]) is None
