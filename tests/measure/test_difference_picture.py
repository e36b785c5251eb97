"""Pictures of what flags are about, decoded again."""

from __future__ import annotations

import base64
import json

import cv2
import numpy as np
import pytest
from scipy import ndimage
from trap_frames import Camera, dark_pair, flat_pair, shading

from kitgauge.errors import MeasurementError
from kitgauge.measure.noise.difference_picture import difference_picture, explaining_pictures, frame_picture

CAMERA = Camera(shape=(600, 900), k=0.5)


def grey(picture):
    values = cv2.imdecode(np.frombuffer(base64.b64decode(picture.png), np.uint8), cv2.IMREAD_UNCHANGED)
    assert values.ndim == 2 and values.shape == (picture.height_px, picture.width_px)
    return values.astype(float)


def test_a_clean_difference_is_even_grain_of_a_fifth_of_the_range():
    a, b = flat_pair(np.random.default_rng(1), CAMERA, drift=1.02, tilt=0.01)
    picture = difference_picture(a, b, CAMERA.black)
    values = grey(picture)
    assert picture.width_px <= 240 and picture.kind == "difference"
    assert values.mean() == pytest.approx(127.5, abs=1.5)
    assert values.std() == pytest.approx(127.5 / 5, rel=0.1)  # +-5 standard errors of a block are black and white
    # a plain difference would show the drift over the shading and nothing else
    assert grey(difference_picture(a, b)).std() > 45


def test_range_in_words_is_that_of_the_noise_of_a_block():
    a, b = flat_pair(np.random.default_rng(2), CAMERA, falloff=0.0)
    picture = difference_picture(a, b, CAMERA.black)
    # blocks of 4 x 4; noise of two frames of 0.5 x 7936 + 6.25 DN^2
    reach = 5 * np.sqrt(2 * (0.5 * 0.5 * 15871 + 6.25) / 16)
    assert f"white +{reach:.3g}"[:9] in picture.range_text
    assert "% of the level" in picture.range_text


def test_bands_are_seen():
    y = np.arange(600)[:, None]
    bands = [1 + 0.01 * np.sin(2 * np.pi * y / 200 + phase) for phase in (0, np.pi)]
    a, b = flat_pair(np.random.default_rng(3), CAMERA, lights=bands)
    (picture,) = explaining_pictures(a, b, CAMERA.black, ["flicker"], "flat")
    profile = grey(picture).mean(axis=1) - 127.5
    expected = np.sin(2 * np.pi * (np.arange(profile.size) + 0.5) * 4 / 200)
    assert np.corrcoef(profile, expected)[0, 1] > 0.95


def test_dust_that_moved_is_a_dark_spot_beside_a_bright_one():
    y, x = np.mgrid[:600, :900]
    grains = 1 - 0.15 * np.exp(-((y - 310) ** 2 + (x - 400) ** 2) / (2 * 8.0**2))
    a, b = flat_pair(np.random.default_rng(4), CAMERA, lights=[grains, np.roll(grains, 60, axis=1)])
    values = grey(difference_picture(a, b, CAMERA.black))
    blurred = ndimage.uniform_filter(values, 3)
    (dark_y, dark_x), (bright_y, bright_x) = (
        np.unravel_index(f(blurred), values.shape) for f in (np.argmin, np.argmax)
    )
    assert abs(bright_x - dark_x - 15) <= 2 and abs(bright_y - dark_y) <= 2


def test_texture_is_shown_over_the_shading():
    pattern = ndimage.gaussian_filter(np.random.default_rng(5).standard_normal(CAMERA.shape), 6)
    paper = 1 + 0.02 * pattern / pattern.std()
    a, b = flat_pair(np.random.default_rng(5), CAMERA, lights=(paper, paper), falloff=0.5)
    (picture,) = explaining_pictures(a, b, CAMERA.black, ["textured"], "flat")
    assert picture.kind == "frame" and "%" in picture.range_text
    small = cv2.resize(pattern, (picture.width_px, picture.height_px), interpolation=cv2.INTER_AREA)
    assert np.corrcoef(grey(picture).ravel(), small.ravel())[0, 1] > 0.8
    # without the shading taken off, that is what the picture would show
    plain = cv2.resize(a.astype(np.float32), (picture.width_px, picture.height_px), interpolation=cv2.INTER_AREA)
    assert np.corrcoef(plain.ravel(), small.ravel())[0, 1] < 0.3


def test_light_in_darks_and_pictures_only_where_they_explain():
    a, b = dark_pair(np.random.default_rng(6), CAMERA, light=[20 * shading(CAMERA.shape, 0, 1.0)] * 2)
    pictures = explaining_pictures(a, b, CAMERA.black, ["light-leak"], "dark")
    assert [picture.kind for picture in pictures] == ["frame", "difference"]
    json.dumps([picture.as_dict() for picture in pictures])
    for flags in ([], ["missing-codes"], ["clipped"]):
        assert explaining_pictures(a, b, CAMERA.black, flags, "flat") == []
    assert explaining_pictures(a, b, CAMERA.black, ["clipped-black"], "dark") == []


def test_small_odd_and_constant_frames():
    same = np.full((33, 47), 600, np.uint16)
    assert (np.abs(grey(difference_picture(same, same, 512.0)) - 127.5) <= 1).all()
    assert (np.abs(grey(frame_picture(same, 512.0)) - 127.5) <= 1).all()
    assert grey(frame_picture(same, 600.0)).shape == (33, 47)  # no light at all
    with pytest.raises(MeasurementError, match="differ in size"):
        difference_picture(same, same[:20], 512.0)
