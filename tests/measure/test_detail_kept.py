"""Contrast of fine detail kept: a known filter comes back, whatever the noise."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from developed_pictures import BT709, decode_tables, encode, noise_field, pink_texture
from scipy.ndimage import gaussian_filter, shift

from kitgauge.errors import MeasurementError
from kitgauge.measure.developed.detail_kept import BANDS_CY_PER_PX, SceneDetail, detail_kept, measure_scene_detail

SHAPE = (512, 768)
TEXTURE = 0.15 * pink_texture(np.random.default_rng(1), SHAPE)


def scene(seed, smoothing=0.0, noise=0.01, moved=0.0, light=1.0, bits=16):
    rng = np.random.default_rng(seed)
    detail = gaussian_filter(TEXTURE, smoothing, mode="wrap") if smoothing else TEXTURE
    frames = []
    for number in range(2):
        here = shift(detail, (0.0, moved * number), order=5, mode="grid-wrap") if moved else detail
        frames.append(encode(light * 0.18 * (1 + here + noise * noise_field(rng, SHAPE, 1.0)), bits))
    return measure_scene_detail(*frames, decode_tables(bits), BT709)


def kept(scenes, iso, band):
    return next(item for item in detail_kept(scenes) if item.iso == iso and item.low_cy_per_px == BANDS_CY_PER_PX[band])


def ring_power(picture, band):
    """Return the power of a whole picture in an octave of frequency, by one FFT."""
    down, across = np.fft.fftfreq(SHAPE[0])[:, None], np.fft.fftfreq(SHAPE[1])[None, :]
    radius = np.hypot(down, across)
    inside = (radius > BANDS_CY_PER_PX[band]) & (radius <= BANDS_CY_PER_PX[band + 1])
    return float((np.abs(np.fft.fft2(picture)) ** 2)[inside].sum())


def true_kept(smoothing, band):
    return math.sqrt(ring_power(gaussian_filter(TEXTURE, smoothing, mode="wrap"), band) / ring_power(TEXTURE, band))


@pytest.mark.parametrize("smoothing", [0.4, 0.8])
@pytest.mark.parametrize("noise", [0.02, 0.1])
def test_a_known_smoothing_comes_back(smoothing, noise):
    scenes = {100.0: scene(2), 3200.0: scene(3, smoothing, noise)}
    for band in range(4):
        item = kept(scenes, 3200.0, band)
        assert abs(item.kept - true_kept(smoothing, band)) < 4 * item.kept_stderr + 0.004, (band, item)
        assert item.flags == ()


def test_noise_is_not_taken_for_detail():
    """The naive way, the power spectrum of one frame, counts the noise as detail kept."""
    item = kept({100.0: scene(4), 3200.0: scene(5, 0.8, 0.3)}, 3200.0, 3)
    true = true_kept(0.8, 3)
    assert abs(item.kept - true) < 4 * item.kept_stderr + 0.004 and item.kept_stderr < 0.1 * true
    noisy = gaussian_filter(TEXTURE, 0.8, mode="wrap") + 0.3 * noise_field(np.random.default_rng(6), SHAPE, 1.0)
    assert math.sqrt(ring_power(noisy, 3) / ring_power(TEXTURE, 3)) > 1.5 * true


def test_too_little_left_is_a_bound():
    item = kept({100.0: scene(7), 25600.0: scene(8, 3.0, 0.2)}, 25600.0, 3)
    assert math.isnan(item.kept) and 0 < item.kept_at_most < 0.3


def test_the_reference_keeps_all_and_one_iso_tells_nothing():
    scenes = {100.0: scene(9), 400.0: scene(10)}
    assert kept(scenes, 100.0, 3).kept == 1.0
    again = kept(scenes, 400.0, 3)
    assert abs(again.kept - 1.0) < 4 * again.kept_stderr
    assert detail_kept({100.0: scenes[100.0]}) == []


def test_a_plain_scene_has_no_detail_to_keep():
    rng = np.random.default_rng(11)
    frames = [encode(0.18 * (1 + 0.01 * noise_field(rng, SHAPE)), 16) for _ in range(2)]
    plain = measure_scene_detail(*frames, decode_tables(16), BT709)
    item = kept({100.0: plain, 400.0: plain}, 400.0, 3)
    assert math.isnan(item.kept) and math.isnan(item.kept_at_most)


def test_frames_that_moved_say_nothing():
    shifted = scene(12, moved=0.6)
    assert shifted.shift_px == pytest.approx(0.6, abs=0.15)
    assert scene(13).shift_px < 0.03
    item = kept({100.0: scene(14), 400.0: shifted}, 400.0, 3)
    assert "moved-target" in item.flags and math.isnan(item.kept)
    assert "light-changed" in kept({100.0: scene(14), 400.0: scene(15, light=1.4)}, 400.0, 0).flags


def test_record_goes_through_json():
    detail = scene(16)
    assert SceneDetail.from_dict(json.loads(json.dumps(detail.as_dict()))) == detail


def test_scenes_that_do_not_match():
    with pytest.raises(MeasurementError, match="differ in size"):
        measure_scene_detail(np.zeros((99, 99), np.uint8), np.zeros((99, 98), np.uint8), decode_tables(), BT709)
    with pytest.raises(MeasurementError, match="black"):
        measure_scene_detail(np.zeros((99, 99), np.uint8), np.zeros((99, 99), np.uint8), decode_tables(), BT709)
