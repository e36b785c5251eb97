"""Simulated subjects: their truth against closed forms, their pictures against the exact renderer."""

import math
from dataclasses import replace

import numpy as np
import pytest

from kitgauge.simulate.lens import Lens
from kitgauge.simulate.model import SimulatedKit
from kitgauge.simulate.sheet_scene import PlacedSheet, render_sheets
from kitgauge.simulate.subjects import Nodding, Pendulum, SubjectScene, Turning
from kitgauge.target.layout import design_for, sheet_layout

KIT = replace(SimulatedKit(), lens=replace(Lens(), focal_mm=21.6), shape=(540, 810))
REST = PlacedSheet(sheet_layout(design_for(297.0, 210.0), 1), 2500.0)
PX_PER_MM = 1000.0 * 21.6 / (2500.0 - 21.6) / 6.0  # thin lens magnification f / (d - f) over the pitch


def test_a_pendulum_is_fastest_at_the_bottom():
    scene = SubjectScene(KIT, REST, Pendulum(900.0, 5.0))
    exposure = 1 / 1000
    truth = scene.truth("", "subject", -exposure / 2, exposure)
    speed = math.radians(5.0) * math.sqrt(9806.65 * 900.0)  # amplitude x sqrt(g l)
    assert truth.middle_streak_mm == pytest.approx(speed * exposure, rel=1e-3)
    assert truth.middle_streak_px == pytest.approx(speed * exposure * PX_PER_MM, rel=1e-3)
    assert truth.turn_rad == pytest.approx(speed / 900.0 * exposure, rel=1e-3)


def test_a_whole_swing_has_the_moments_of_a_sine():
    scene = SubjectScene(KIT, REST, Pendulum(5000.0, 1.0))
    truth = scene.truth("", "subject", 0.3, scene.subject.period_s)
    # sqrt(12) x amplitude / sqrt(2), across; the bob's rise is 1 % of that
    assert truth.middle_streak_mm == pytest.approx(math.sqrt(6.0) * 5000.0 * math.radians(1.0), rel=2e-3)


def test_turning_about_the_middle_leaves_the_middle_and_moves_the_rest():
    scene = SubjectScene(KIT, REST, Turning(5.0, 1.0))
    exposure = 1 / 100
    truth = scene.truth("", "subject", -exposure / 2, exposure)
    rate = math.radians(5.0) * 2.0 * math.pi
    assert truth.middle_streak_px == pytest.approx(0.0, abs=1e-9)
    assert truth.turn_rad == pytest.approx(rate * exposure, rel=2e-3)
    squares = REST.sheet.squares
    radius2 = np.mean([(s.x_mm - 148.5) ** 2 + (s.y_mm - 105.0) ** 2 + s.side_mm**2 / 3 for s in squares])
    assert truth.streak_px == pytest.approx(rate * exposure * math.sqrt(radius2) * PX_PER_MM, rel=5e-3)


def test_nodding_moves_up_and_down_only():
    scene = SubjectScene(KIT, REST, Nodding(100.0, 10.0, 1.0))
    exposure = 1 / 200
    truth = scene.truth("", "subject", -exposure / 2, exposure)
    assert truth.middle_streak_mm == pytest.approx(100.0 * math.radians(10.0) * 2.0 * math.pi * exposure, rel=1e-3)


def test_a_moment_looks_as_the_exact_renderer_draws_it():
    scene = SubjectScene(KIT, REST, Pendulum(900.0, 5.0))
    start = 0.11 * scene.subject.period_s
    seen = scene.picture(start, 1e-9)
    exact = render_sheets([scene.moment(start)], scene.camera, blur_px=0.6)
    inside = (slice(150, 390), slice(250, 560))
    assert np.abs(seen - exact)[inside].max() < 0.03  # of the paper's light; an edge rises by half of it in a pixel
    assert abs(float((seen - exact)[inside].mean())) < 1e-3


def test_the_light_of_an_exposure_is_the_mean_of_its_moments():
    scene = SubjectScene(KIT, REST, Pendulum(900.0, 5.0))
    exposure = 1 / 60
    fine = np.mean([scene.picture((k + 0.5) / 60 * exposure, 1e-9) for k in range(60)], axis=0)
    assert np.abs(scene.picture(0.0, exposure) - fine).max() < 0.01
