"""The target found again where a subject carried it: far, turned and blurred, with its markers and without."""

import math
from dataclasses import replace

import numpy as np
import pytest

from kitgauge.measure.blur.edge_tracking import follow_edges
from kitgauge.measure.blur.streak import measure_streak, reference_edges
from kitgauge.measure.blur.subject_tracking import follow_subject, px_per_mm
from kitgauge.measure.edges.clear_ground import widen_edges
from kitgauge.measure.edges.edge_finding import find_edges
from kitgauge.measure.edges.edge_profile import edge_profiles
from kitgauge.measure.edges.target_pose import find_sheets
from kitgauge.simulate.lens import Lens
from kitgauge.simulate.model import SimulatedKit
from kitgauge.simulate.sheet_scene import PlacedSheet
from kitgauge.simulate.subjects import Pendulum, SubjectScene, Turning
from kitgauge.target.layout import design_for, sheet_layout

KIT = replace(SimulatedKit(), lens=replace(Lens(), focal_mm=21.6), shape=(1080, 1620))
REST = PlacedSheet(sheet_layout(design_for(297.0, 210.0), 1), 1500.0)
MASK = np.zeros(KIT.shape, dtype=bool)
MASK[::2, 1::2] = MASK[1::2, ::2] = True
NONE = np.zeros(KIT.shape, dtype=bool)


def frame(scene, start_s, exposure_s, seed, shift=(0.0, 0.0)):
    light = scene.picture(start_s, exposure_s, shift) * 8000.0
    noise = np.random.default_rng(seed).standard_normal(light.shape, dtype=np.float32)
    return np.asarray(light + noise * np.sqrt(np.maximum(light, 0.0)), dtype=np.float32)


@pytest.fixture(scope="module", params=[True, False], ids=["markers", "no markers"])
def scene(request):
    return SubjectScene(KIT, REST, Pendulum(1000.0, 8.0), markers=request.param)


@pytest.fixture(scope="module")
def at_rest(scene):
    frames = [frame(scene, None, 0.01, seed, shift) for seed, shift in ((1, (0.3, 0.1)), (2, (-0.2, 0.4)))]
    edges = widen_edges(frames[0], MASK, find_edges(frames[0], MASK, NONE).candidates)
    profiles = [edge_profiles(f, MASK, NONE, follow_edges(f, MASK, NONE, edges).candidates) for f in frames]
    return edges, find_sheets(frames[0], 1), reference_edges(profiles)


def streak_of(signal, candidates, reference):
    return measure_streak(edge_profiles(signal, MASK, NONE, candidates), reference)


# phase of the swing: 0.24 is all but the turning point, 320 px out and turned by 7.7 degrees
@pytest.mark.parametrize(("phase", "exposure_s"), [(0.10, 1 / 64), (0.20, 1 / 32), (0.70, 1 / 32)])
def test_streak_is_true_wherever_the_target_went(scene, at_rest, phase, exposure_s):
    edges, sheets, reference = at_rest
    start = phase * scene.subject.period_s
    signal = frame(scene, start, exposure_s, 3)
    found = follow_subject(signal, MASK, NONE, edges, sheets, find_sheets(signal, 1))
    true = scene.truth("", "subject", start, exposure_s).streak_px
    measured = streak_of(signal, found.edges.candidates, reference)
    assert measured.streak_px == pytest.approx(true, rel=0.02, abs=0.08)
    middle = scene.moment(start + exposure_s / 2)
    assert found.turn_deg == pytest.approx(middle.rotation_deg, abs=0.6)
    per_mm = scene.camera.focal_px / 1500.0
    assert math.hypot(found.shift_x_px - per_mm * middle.x_mm, found.shift_y_px - per_mm * middle.y_mm) < 12.0


def test_edges_followed_from_rest_alone_are_lost_where_the_target_turned_far(at_rest):
    """A turned target that is not blurred at all: searched from its place at rest it counts as blurred, or is lost."""
    edges, sheets, reference = at_rest
    turned = SubjectScene(KIT, REST, Turning(17.0, 1.0), markers=bool(sheets))
    signal = frame(turned, 0.25 - 0.5 / 500, 1 / 500, 5)
    true = turned.truth("", "subject", 0.25 - 0.5 / 500, 1 / 500).streak_px
    assert true < 0.1
    plain = streak_of(signal, follow_edges(signal, MASK, NONE, edges).candidates, reference)
    assert plain.censored == "above" or not plain.edges_used or plain.streak_px > 1.0
    found = follow_subject(signal, MASK, NONE, edges, sheets, find_sheets(signal, 1))
    assert found.by_markers == bool(sheets)
    assert found.turn_deg == pytest.approx(17.0, abs=0.3)
    ours = streak_of(signal, found.edges.candidates, reference)
    assert ours.censored == "below" or ours.streak_px < 0.5


def test_scale_of_the_print(at_rest, scene):
    _, sheets, _ = at_rest
    if not scene.markers:
        assert math.isnan(px_per_mm(sheets))
    else:
        assert px_per_mm(sheets) == pytest.approx(scene.camera.focal_px / 1500.0, rel=1e-3)
