"""Blur from the scene itself: truth recovered on simulated scenes and on a real chart, and what must be refused."""

from __future__ import annotations

import json
import math
from pathlib import Path

import cv2
import numpy as np
import pytest
from blurred_scenes import BAYER, SCENES, Taken, take, texture, true_covariance, true_streak, uniform
from scipy import ndimage
from threadpoolctl import threadpool_limits

from kitgauge.measure.blur.scene_blur import measure_scene_streak, measure_still_streak
from kitgauge.measure.blur.scene_reference import SceneReference, begin_reference, extended, scene_reference
from kitgauge.measure.blur.scene_registration import register
from kitgauge.measure.blur.scene_tiles import SceneFrame
from kitgauge.simulate.hands import Hands, draw_motion, sample_motion


@pytest.fixture(autouse=True)
def one_thread():
    """As in a run: linear algebra in threads of its own only waits for itself here."""
    with threadpool_limits(1):
        yield


SHAPE = (420 + 180, 620 + 180)
CHART = Path(__file__).resolve().parents[3] / "shared/real/chart-frame/chart_1920x1080_rggb_10bit.raw"


def reference(kind: str, seed: int = 1, frames: int = 2, pattern=BAYER):
    scene = texture(kind, SHAPE, seed)
    return scene, scene_reference([take(scene, None, Taken(seed=90 + i), pattern) for i in range(frames)])


@pytest.mark.parametrize("kind", SCENES)
def test_straight_motion_is_recovered_in_scenes_of_several_kinds(kind) -> None:
    scene, still = reference(kind)
    assert still.flags == ()
    for length, angle in ((1.5, 20.0), (5.0, 100.0), (14.0, 150.0)):
        path = uniform(length, angle)
        how = Taken(shift_px=(9.4, -5.7), turn_deg=0.5, snr=40.0, level=0.7, seed=5)
        found = measure_scene_streak(take(scene, path, how), still)
        assert found.censored is None
        assert abs(found.streak_px - length) < 0.15 + 0.04 * length
        assert abs((found.direction_deg - angle + 90.0) % 180.0 - 90.0) < 5.0


@pytest.mark.parametrize("pattern", [np.array([[True]]), np.tile([[True, False, True], [False, True, False]], (2, 2))])
def test_other_patterns_of_green_serve_as_well(pattern) -> None:
    scene, still = reference("leaves", pattern=pattern)
    found = measure_scene_streak(take(scene, uniform(6.0, 70.0), Taken(shift_px=(3.3, 2.2), seed=6), pattern), still)
    assert abs(found.streak_px - 6.0) < 0.35


def test_crooked_motion_of_hands_gives_its_covariance() -> None:
    scene, still = reference("cloud")
    rng = np.random.default_rng(8)
    for exposure_s in (1 / 60, 1 / 30, 1 / 15):
        motion = sample_motion(draw_motion(Hands(), 1, rng), exposure_s, 50.0, 4.0)
        path = np.stack([motion.x_px, motion.y_px, motion.weight])
        found = measure_scene_streak(take(scene, path, Taken(snr=40.0, seed=7, shift_px=(4.0, 4.5))), still)
        true = true_covariance(path)
        scale = np.trace(true)
        seen = [found.variance_x_px2, found.variance_y_px2, found.covariance_px2]
        assert np.allclose(seen, [true[0, 0], true[1, 1], true[0, 1]], atol=0.04 + 0.08 * scale)


@pytest.mark.statistical
def test_errors_scatter_as_they_are_stated() -> None:
    """The calibration itself used 450 other frames, and 214 more to check it; both by `bench/scene_calibration.py`."""
    rng = np.random.default_rng(3)
    ratios, relative, still = [], [], {}
    for number in range(48):
        kind = SCENES[number % 4]
        if number < 4:
            scene = texture(kind, SHAPE, 50 + number)
            still[kind] = scene, scene_reference([take(scene, None, Taken(seed=number * 10 + i)) for i in (1, 2)])
        scene, known = still[kind]
        exposure_s = 2.0 ** rng.uniform(-7.5, -4.0)
        motion = sample_motion(draw_motion(Hands(), 1, rng), exposure_s, 50.0, 4.0)
        path = np.stack([motion.x_px, motion.y_px, motion.weight])
        how = Taken(
            tuple(rng.normal(0, 8, 2)), float(rng.normal(0, 0.4)), snr=float(rng.choice([20, 60])),
            level=float(rng.choice([0.6, 1.0])), light_slope=float(rng.choice([0.0, 0.3])), seed=300 + number,
        )  # fmt: skip
        found = measure_scene_streak(take(scene, path, how), known)
        true = true_streak(path) ** 2 / 12.0
        if math.isfinite(found.trace_px2):
            ratios.append((found.trace_px2 - true) / found.trace_px2_stderr)
            relative.append(abs(math.sqrt(max(found.trace_px2, 0.0)) - math.sqrt(true)) * math.sqrt(12.0))
    assert len(ratios) >= 42
    assert abs(np.median(ratios)) < 0.5
    # 1 within three standard deviations of the scatter of 45 numbers
    assert 0.68 < np.std(ratios) < 1.32
    assert np.max(np.abs(ratios)) < 4.0
    assert np.median(relative) < 0.15


@pytest.mark.parametrize("shape", [(420, 746), (480, 640)])
def test_frames_of_any_proportions_are_registered(shape) -> None:
    """16:9 and 4:3 reduce to sides that suit a Fourier transform, where OpenCV's phase correlation multiplies its
    arguments by the window in place: what is left of them is found enlarged by a few percent."""
    scene = texture("buildings", (shape[0] + 180, shape[1] + 180), 4)
    at_rest, moved = take(scene, None, Taken(seed=1)), take(scene, None, Taken((5.3, -7.2), 0.3, seed=2))
    found = register(at_rest.reduced(750), moved.reduced(750), shape)
    assert found is not None
    # a turn either way: which one counts as positive is the simulation's affair
    turn = math.sin(math.radians(0.3))
    (xx, xy), (yx, yy) = found.matrix[:, :2]
    assert np.allclose([xx, yy, abs(xy), abs(yx)], [1.0, 1.0, turn, turn], atol=0.003)
    before = at_rest.reduced(750).copy()
    register(before, moved.reduced(750), shape)
    assert np.array_equal(before, at_rest.reduced(750))


def test_a_reference_kept_as_text_measures_as_before() -> None:
    scene = texture("leaves", SHAPE, 8)
    stills = [take(scene, None, Taken(seed=number)) for number in (1, 2, 3)]
    whole = scene_reference(stills)
    kept = SceneReference.from_dict(json.loads(json.dumps(begin_reference(stills[0]).as_dict())))
    for frame in stills[1:]:
        kept = kept.with_last(json.loads(json.dumps(extended(kept, frame).last_as_dict())))
    frame = take(scene, uniform(6.0, 70.0), Taken((3.3, 2.2), 0.2, seed=6))
    one, other = measure_scene_streak(frame, whole), measure_scene_streak(frame, kept)
    assert other.streak_px == pytest.approx(one.streak_px, rel=1e-3)
    assert measure_still_streak(kept, 1).censored == "below"


def test_a_still_frame_is_below_the_floor_and_an_overlong_streak_above() -> None:
    scene, still = reference("leaves")
    rest = measure_scene_streak(take(scene, None, Taken(shift_px=(2.5, 1.2), seed=9)), still)
    assert rest.censored == "below"
    assert rest.bound_px < 1.0
    long = measure_scene_streak(take(scene, uniform(55.0, 30.0), Taken(seed=10)), still)
    assert long.censored == "above" or "scene-unclear" in long.flags or "framing-differs" in long.flags
    assert math.isnan(long.streak_px)


def test_what_cannot_be_compared_is_told() -> None:
    scene, still = reference("leaves")
    other = measure_scene_streak(take(texture("leaves", SHAPE, 77), None, Taken(seed=3)), still)
    assert other.flags == ("framing-differs",)
    assert math.isnan(other.streak_px)
    # most of the scene moves against the rest
    half = scene.copy()
    rng = np.random.default_rng(2)
    for top in range(0, SHAPE[0], 150):
        for left in range(0, SHAPE[1], 160):
            shift = rng.integers(-9, 10, 2)
            block = np.roll(scene, tuple(shift), (0, 1))[top : top + 150, left : left + 160]
            half[top : top + 150, left : left + 160] = block
    moved = measure_scene_streak(take(half, None, Taken(seed=4)), still)
    assert set(moved.flags) & {"scene-moved", "scene-unclear", "framing-differs"}
    plain = np.full(SHAPE, 0.4, np.float32)
    poor = scene_reference([take(plain, None, Taken(seed=i)) for i in (1, 2)])
    assert poor.flags == ("scene-poor",)
    assert measure_scene_streak(take(plain, None, Taken(seed=3)), poor).flags == ("scene-poor",)
    assert measure_scene_streak(take(scene, None, Taken(seed=3)), still.without(0).without(1)).flags == (
        "single-frame",
    )


def sharpness_by_gradient(frame: SceneFrame) -> float:
    picture, _ = frame.crop(0, 0, *frame.shape)
    return float(np.mean(cv2.Sobel(picture, cv2.CV_32F, 1, 0) ** 2 + cv2.Sobel(picture, cv2.CV_32F, 0, 1) ** 2))


def sharpness_by_laplacian(frame: SceneFrame) -> float:
    picture, _ = frame.crop(0, 0, *frame.shape)
    return float(np.var(cv2.Laplacian(picture, cv2.CV_32F)))


@pytest.mark.parametrize("naive", [sharpness_by_gradient, sharpness_by_laplacian])
def test_naive_sharpness_mistakes_light_noise_and_scene_for_blur(naive) -> None:
    """The blurred frame comes out sharper than the still one where it is brighter or noisier; ours does not move."""
    scene, still = reference("cloud")
    path = uniform(3.0, 40.0)
    at_rest = take(scene, None, Taken(seed=1))
    blurred = {
        "same light": take(scene, path, Taken(seed=2)),
        "more light": take(scene, path, Taken(seed=2, level=1.15)),
        "less light": take(scene, path, Taken(seed=2, level=0.6)),
        "more noise": take(scene, path, Taken(seed=2, snr=6.0)),
    }
    ours = [measure_scene_streak(frame, still).streak_px for frame in blurred.values()]
    assert np.ptp(ours) < 0.2
    assert np.allclose(ours, 3.0, atol=0.25)
    score = {name: naive(frame) / naive(at_rest) for name, frame in blurred.items()}
    assert score["same light"] < 1.0
    assert score["more noise"] > 1.0  # blurred and noisy: "sharper" than the tripod frame
    assert score["more light"] / score["less light"] > 1.5  # one blur, two scores
    other = naive(take(texture("text", SHAPE, 1), path, Taken(seed=2)))
    assert other > 1.5 * naive(at_rest)  # another scene, blurred, scores above this one at rest


@pytest.mark.skipif(not CHART.exists(), reason="the shared folder with a real chart frame is not here")
def test_a_real_chart_blurred_by_a_known_motion() -> None:
    """The real frame's own green samples, filled to a picture, moved and blurred by spectrum, with new noise."""
    samples = np.fromfile(CHART, "<u2").reshape(1080, 1920)
    raw = SceneFrame(samples, BAYER, np.zeros((2, 2)), 1021.0)
    picture, _ = raw.crop(0, 320, 1080, 1280)
    picture = ndimage.gaussian_filter(np.minimum(picture, 900.0), 0.7)
    rng = np.random.default_rng(1)

    def taken(path, shift) -> SceneFrame:
        fy, fx = np.fft.fftfreq(1080), np.fft.rfftfreq(1280)
        x, y, weight = path
        left = np.exp(-2j * np.pi * fy[:, None] * (y + shift[1])) * weight
        spectrum = np.fft.rfft2(picture) * (left @ np.exp(-2j * np.pi * (x + shift[0])[:, None] * fx))
        light = np.fft.irfft2(spectrum, s=picture.shape)
        noisy = 16.0 * light + 40.0 * rng.standard_normal(light.shape) + 256.0
        return SceneFrame(np.clip(np.rint(noisy), 0, 16383).astype(np.uint16), BAYER, np.full((2, 2), 256.0), 16383.0)

    rest = np.array([[0.0], [0.0], [1.0]])
    still = scene_reference([taken(rest, (0.0, 0.0)), taken(rest, (0.0, 0.0))])
    assert still.flags == ()
    for length, angle, shift in ((2.0, 30.0, (4.3, 1.1)), (8.0, 110.0, (-6.4, 3.2)), (20.0, 60.0, (2.1, -9.7))):
        found = measure_scene_streak(taken(uniform(length, angle), shift), still)
        assert found.censored is None, found.flags
        assert abs(found.streak_px - length) < 0.2 + 0.05 * length
