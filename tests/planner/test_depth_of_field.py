"""Depth of field: handbook formula, its limits, and an independent ray construction."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitgauge.errors import PlanError
from kitgauge.planner.depth_of_field import (
    blur_circle_mm,
    circle_of_confusion_mm,
    f_number_for_depth,
    focus_for,
    hyperfocal_m,
    magnification,
    near_and_far_m,
)

FOCAL_MM = st.floats(8, 800)
F_NUMBER = st.floats(1, 32)
CIRCLE_MM = st.floats(0.005, 0.05)


def blur_by_rays_mm(focal_mm: float, f_number: float, focus_mm: float, distance_mm: float) -> float:
    """Blur circle by tracing the rim ray of a thin lens from an axial point to the sensor plane.

    A ray leaves the axis at `distance_mm`, meets the lens at the pupil's rim and is bent by rim height /
    focal length (paraxial refraction); its height where the sensor stands, doubled, is the circle. No depth
    formula is used.
    """
    sensor_mm = 1 / (1 / focal_mm - 1 / focus_mm)
    rim_mm = focal_mm / f_number / 2
    slope_before = rim_mm / distance_mm
    slope_after = slope_before - rim_mm / focal_mm
    return 2 * abs(rim_mm + slope_after * sensor_mm)


@given(FOCAL_MM, F_NUMBER, CIRCLE_MM, st.floats(1.01, 300))
def test_traced_rays_make_exactly_the_circle_at_near_and_far(
    focal_mm: float, f_number: float, circle_mm: float, focal_lengths: float
) -> None:
    distance_m = focal_mm / 1000 * focal_lengths
    near, far = near_and_far_m(focal_mm, f_number, circle_mm, distance_m)
    assert near < distance_m < far
    assert blur_by_rays_mm(focal_mm, f_number, distance_m * 1e3, near * 1e3) == pytest.approx(circle_mm, rel=1e-5)
    if math.isfinite(far) and far < 1e4:
        assert blur_by_rays_mm(focal_mm, f_number, distance_m * 1e3, far * 1e3) == pytest.approx(circle_mm, rel=1e-4)


@given(FOCAL_MM, F_NUMBER, st.floats(1.05, 300), st.floats(1.05, 300))
def test_blur_circle_agrees_with_traced_rays(focal_mm: float, f_number: float, focus: float, distance: float) -> None:
    ours = blur_circle_mm(focal_mm, f_number, focal_mm / 1e3 * focus, focal_mm / 1e3 * distance)
    rays = blur_by_rays_mm(focal_mm, f_number, focal_mm * focus, focal_mm * distance)
    assert ours == pytest.approx(rays, rel=1e-6, abs=1e-9 * focal_mm)


@given(FOCAL_MM, F_NUMBER, CIRCLE_MM, st.floats(1.01, 1000))
def test_handbook_formula(focal_mm: float, f_number: float, circle_mm: float, focal_lengths: float) -> None:
    # published/facts.md: H = f^2/(N c) + f; near = s(H-f)/(H+s-2f); far = s(H-f)/(H-s), infinite for s >= H
    f, c = focal_mm / 1000, circle_mm / 1000
    s = f * focal_lengths
    H = f * f / (f_number * c) + f
    near, far = near_and_far_m(focal_mm, f_number, circle_mm, s)
    assert near == pytest.approx(s * (H - f) / (H + s - 2 * f), rel=1e-9)
    if s < H * (1 - 1e-9):
        assert far == pytest.approx(s * (H - f) / (H - s), rel=1e-4)
    if s > H * (1 + 1e-9):
        assert far == math.inf


def test_a_worked_handbook_example() -> None:
    # 50 mm, f/8, c = 0.030 mm: H = 2500/0.24 mm + 50 mm = 10.467 m (worked by hand from the formula above);
    # focused at 3 m: near = 3 x 10.41667/(10.46667 + 3 - 0.1) = 2.338 m, far = 31.25/7.46667 = 4.185 m
    assert hyperfocal_m(50, 8, 0.030) == pytest.approx(10.4667, abs=5e-5)
    near, far = near_and_far_m(50, 8, 0.030, 3.0)
    assert near == pytest.approx(2.338, abs=5e-4)
    assert far == pytest.approx(4.185, abs=5e-4)


# Zone-focusing marks of the 36 x 24 mm frame with a circle of confusion of 0.030 mm, as depth tables and lens barrels
# give them: focal length [mm], f-number, focus [m], sharp from [m] (to infinity). From memory, in rounded print; no
# printed table was at hand, so that a tenth is the tolerance.
ZONE_MARKS = (
    (24, 8, 2.5, 1.2),
    (28, 8, 3.3, 1.6),
    (35, 8, 5.2, 2.6),
    (35, 16, 2.6, 1.3),
    (50, 16, 5.3, 2.6),
    (50, 8, 10.5, 5.2),
)


@pytest.mark.parametrize("mark", ZONE_MARKS)
def test_zone_focusing_marks(mark: tuple[float, float, float, float]) -> None:
    focal_mm, f_number, focus_m, near_m = mark
    near, far = near_and_far_m(focal_mm, f_number, 0.030, focus_m)
    assert near == pytest.approx(near_m, abs=0.1)
    assert far == math.inf
    nearer = near_and_far_m(focal_mm, f_number, 0.030, focus_m * 0.8)[1]
    assert nearer < 8 * focus_m  # focused nearer than the mark, infinity is lost


@given(FOCAL_MM, F_NUMBER, CIRCLE_MM)
def test_focused_at_the_hyperfocal_distance_all_from_its_half_is_sharp(
    focal_mm: float, f_number: float, circle_mm: float
) -> None:
    H = hyperfocal_m(focal_mm, f_number, circle_mm)
    near, far = near_and_far_m(focal_mm, f_number, circle_mm, H)
    assert near == pytest.approx(H / 2)
    assert far == math.inf
    assert f_number_for_depth(focal_mm, near, math.inf, circle_mm) == pytest.approx(f_number)
    assert near_and_far_m(focal_mm, f_number, circle_mm, math.inf)[0] == pytest.approx(H - focal_mm / 1000)


@given(FOCAL_MM, CIRCLE_MM, st.floats(2, 200), st.floats(1.01, 50))
def test_f_number_for_a_depth_gives_that_depth(focal_mm: float, circle_mm: float, near_f: float, ratio: float) -> None:
    near = focal_mm / 1000 * near_f
    far = near * ratio
    f_number = f_number_for_depth(focal_mm, near, far, circle_mm)
    got_near, got_far = near_and_far_m(focal_mm, f_number, circle_mm, focus_for(near, far))
    assert got_near == pytest.approx(near)
    assert got_far == pytest.approx(far, rel=1e-6)


@given(FOCAL_MM, F_NUMBER, CIRCLE_MM, st.floats(1.1, 100), st.floats(1.01, 4))
def test_depth_grows_with_f_number_and_circle(
    focal_mm: float, f_number: float, circle_mm: float, focal_lengths: float, factor: float
) -> None:
    s = focal_mm / 1000 * focal_lengths
    near, far = near_and_far_m(focal_mm, f_number, circle_mm, s)
    for wider in ((f_number * factor, circle_mm), (f_number, circle_mm * factor)):
        wider_near, wider_far = near_and_far_m(focal_mm, *wider, s)
        assert wider_near < near
        assert wider_far > far or far == math.inf


def test_flat_subject_asks_for_no_f_number() -> None:
    assert f_number_for_depth(50, 2.0, 2.0, 0.029) == 0.0


def test_circle_is_the_diagonal_over_1500_for_the_default_output_and_finer_for_larger_ones() -> None:
    diagonal = math.hypot(36, 24)
    assert circle_of_confusion_mm(diagonal) == pytest.approx(0.02884, abs=1e-5)  # 43.267/1500
    assert circle_of_confusion_mm(diagonal, 32) == pytest.approx(circle_of_confusion_mm(diagonal) / 2)


def test_one_to_one_at_twice_the_focal_length() -> None:
    assert magnification(100, 0.2) == pytest.approx(1.0)


@pytest.mark.parametrize("distance_m", [0.05, 0.049, 0.0, -1.0])
def test_inside_the_focal_length_there_is_no_image(distance_m: float) -> None:
    for call in (
        lambda: near_and_far_m(50, 8, 0.03, distance_m),
        lambda: magnification(50, distance_m),
        lambda: f_number_for_depth(50, distance_m, 1.0, 0.03),
        lambda: blur_circle_mm(50, 8, distance_m, 1.0),
    ):
        with pytest.raises(PlanError, match="inside the focal length"):
            call()
