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
from kitgauge.protocol.sheets import sensor_size_mm
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
    # at m = 1/49 the 27 mm of an A4 sheet cover 92 px of 6 um, the 40 mm of an A3 sheet 136
    assert large.sheets.paper == "a3" and large.sheets.design.square_mm == 40
    # a 40 mm edge on 120 px of 6 um: m = 0.72/40, s = 50 mm (1 + 40/0.72)
    assert large.furthest_m == pytest.approx(0.05 * (1 + 40 / 0.72))
    small = sharpness_distance(focal_mm=50, pitch_um=2.4)
    assert small.nearest_m == pytest.approx(0.05 * focal_lengths_to_out_resolve(600, 2.4))
    assert small.nearest_m > 4 > large.nearest_m
    assert small.sheets.paper == "a4"


def test_without_pitch_or_focal_length_the_text_says_what_is_assumed():
    text = sharpness_distance(focal_mm=85).text
    assert "4.2 m" in text and "if the pixels are 3.9 um or larger" in text
    relative = sharpness_distance()
    assert relative.nearest_m is None and "50 focal lengths" in relative.text and "2.5 m for 50 mm" in relative.text


def own_target(**values):
    target = load_protocol("aperture-sweep").protocol.target
    return target.model_copy(update={"sheets": None, **values})


def test_edges_too_small_for_the_distance_ask_for_larger_squares():
    # pixels of 12 um: 40 mm on 120 px needs m = 1.44/40, 29 focal lengths, nearer than the 50 wanted
    far = target_distance(own_target(square_mm=40), CameraRange(focal_mm=50, pitch_um=12.0))
    assert far.furthest_m is None and far.sheets is None
    assert "use squares of 71 mm or more" in far.text  # 120 px x 12 um x 49 = 70.6 mm


FULL_FRAME = {"focal_mm": 50, "pitch_um": 6.0, "frame_width_px": 6000, "frame_height_px": 4000}


def test_five_sheets_lie_in_the_corners_of_the_frame():
    plan = sharpness_distance(**FULL_FRAME).sheets
    assert plan.sheets == 5 and plan.command == "kitgauge target --paper a3 --sheets 5"
    assert plan.edge_px == pytest.approx(40 / 49 / 0.006)
    # 36 x 24 mm at m = 1/49: 1764 x 1176 mm of wall; 3 % free, half a sheet of 420 x 297 mm inward
    x, y = plan.spacing_mm
    assert x + 210 + 0.03 * 1764 == pytest.approx(1764 / 2)
    assert y + 148.5 + 0.03 * 1176 == pytest.approx(1176 / 2)
    assert "1.76 x 1.18 m" in plan.text and "0.62 m to the side" in plan.text and "0.40 m above" in plan.text


def test_a_sensor_is_known_by_its_focal_lengths_too():
    by_frame = sharpness_distance(**FULL_FRAME).sheets.spacing_mm
    by_focal = sharpness_distance(focal_mm=50, focal_35mm=50, pitch_um=6.0).sheets.spacing_mm
    assert by_focal == pytest.approx(by_frame, rel=1e-6)
    half = sensor_size_mm(CameraRange(focal_mm=35, focal_35mm=52.5))
    assert half == pytest.approx((24, 16))
    assert sensor_size_mm(CameraRange(focal_mm=35)) is None


def test_without_a_sensor_the_corners_are_told_in_words():
    plan = sharpness_distance(focal_mm=50).sheets
    assert plan.sheets == 5 and plan.spacing_mm is None and plan.edge_px is None
    assert "just inside its corners" in plan.text


def test_a_frame_that_a_sheet_fills_needs_only_one():
    # half a megapixel: 800 x 600 px of 6 um show 235 x 176 mm at 50 focal lengths
    plan = sharpness_distance(focal_mm=50, pitch_um=6.0, frame_width_px=800, frame_height_px=600).sheets
    assert plan.sheets == 1 and "one sheet" in plan.text and "--sheets" not in plan.command


def test_hands_need_longer_edges_and_so_larger_paper():
    target = load_protocol("handheld-shutter").protocol.target
    # 25 focal lengths: m = 1/24; 200 px of 6 um need 28.8 mm, of 4 um 19.2 mm
    assert target_distance(target, CameraRange(focal_mm=50, pitch_um=6.0)).sheets.paper == "a3"
    assert target_distance(target, CameraRange(focal_mm=50, pitch_um=4.0)).sheets.paper == "a4"


@given(pitch=st.floats(0.7, 15), focal=st.floats(4, 800), crop=st.floats(0.7, 8))
def test_advised_sheets_fit_their_frame_and_do_not_overlap(pitch, focal, crop):
    plan = sharpness_distance(focal_mm=focal, focal_35mm=min(focal * crop, 40_000), pitch_um=pitch).sheets
    assert plan.edge_px >= 120
    if plan.spacing_mm is not None:
        x, y = plan.spacing_mm
        assert x >= plan.design.width_mm or y >= plan.design.height_mm
        assert 2 * x >= plan.design.width_mm
        assert 2 * y >= plan.design.height_mm
