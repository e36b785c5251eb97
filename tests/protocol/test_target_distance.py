"""Distances by the thin lens, against the lens equation written out the other way round."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitgauge.protocol.distance import (
    focal_lengths_to_out_resolve,
    largest_dot_px,
    magnification,
    target_distance,
)
from kitgauge.protocol.loading import load_protocol
from kitgauge.protocol.shot_list import CameraRange


@given(focal=st.floats(1, 1000), factor=st.floats(1.01, 1000))
def test_magnification_is_image_distance_over_object_distance(focal, factor):
    distance = focal * factor
    image_distance = 1 / (1 / focal - 1 / distance)  # lens equation 1/s + 1/s' = 1/f
    assert magnification(distance, focal) == pytest.approx(image_distance / distance, rel=1e-6)


def test_two_focal_lengths_give_life_size():
    assert magnification(100, 50) == 1


@pytest.mark.parametrize(("distance", "focal"), [(50, 50), (10, 50), (100, 0), (100, -5)])
def test_no_real_image_inside_the_focal_length(distance, focal):
    with pytest.raises(ValueError, match="focal length"):
        magnification(distance, focal)


def test_largest_dot_keeps_the_loss_allowed():
    width = largest_dot_px()
    assert np.sinc(width * 0.25) == pytest.approx(0.995, abs=1e-9)  # numpy's sinc is sin(pi x)/(pi x)
    assert width == pytest.approx(0.2207, abs=2e-4)
    # independent route: a row of dots as a box of that width, its transform summed numerically
    x = (np.arange(10_000) + 0.5) / 10_000 * width - width / 2
    assert np.mean(np.cos(2 * np.pi * 0.25 * x)) == pytest.approx(0.995, abs=1e-6)


def test_fifty_focal_lengths_serve_600_dpi_and_pixels_of_3_9_um():
    # 600 dpi: dots of 25.4/600 mm = 42.33 um; at 50 f, m = 1/49: 0.864 um, 0.2215 pixels of 3.9 um
    assert largest_dot_px() == pytest.approx(42.333 / 49 / 3.9, rel=0.01)
    assert focal_lengths_to_out_resolve(600, 3.9) == pytest.approx(50, abs=0.5)
    assert focal_lengths_to_out_resolve(300, 3.9) == pytest.approx(2 * 49 + 1, abs=1)


def sharpness_distance(**camera):
    return target_distance(load_protocol("aperture-sweep").protocol.target, CameraRange(**camera))


def test_sharpness_target_stands_far_enough_for_the_print_and_near_enough_for_the_edges():
    large = sharpness_distance(focal_mm=50, pitch_um=6.0)
    assert large.nearest_m == pytest.approx(2.5)  # 50 focal lengths are more than the 33 these pixels need
    # a 40 mm edge on 100 px of 6 um: m = 0.6/40, s = 50 mm (1 + 40/0.6)
    assert large.furthest_m == pytest.approx(0.05 * (1 + 40 / 0.6))
    small = sharpness_distance(focal_mm=50, pitch_um=2.4)
    assert small.nearest_m == pytest.approx(0.05 * focal_lengths_to_out_resolve(600, 2.4))
    assert small.nearest_m > 4 > large.nearest_m


def test_without_pitch_or_focal_length_the_text_says_what_is_assumed():
    text = sharpness_distance(focal_mm=85).text
    assert "4.2 m" in text and "if the pixels are 3.9 um or larger" in text
    relative = sharpness_distance()
    assert relative.nearest_m is None and "50 focal lengths" in relative.text and "2.5 m for 50 mm" in relative.text


def test_edges_too_small_for_the_distance_ask_for_larger_squares():
    # pixels of 12 um: 40 mm on 100 px needs m = 1.2/40, 34 focal lengths, nearer than the 50 wanted
    far = sharpness_distance(focal_mm=50, pitch_um=12.0)
    assert far.furthest_m is None
    assert "use squares of 59 mm or more" in far.text  # 100 px x 12 um x 49 = 58.8 mm
