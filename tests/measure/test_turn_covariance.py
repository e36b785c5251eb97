"""Translation and rotation told apart: truth by moving the points of a target along a path, moment by moment."""

import math
from dataclasses import replace

import numpy as np
import pytest

from kitgauge.measure.blur.turn_covariance import EdgeVariance, turn_covariance

MOMENTS = 4001
SIDE = 65.0
PLACES = [(x, y) for y in (-130.0, 0.0, 130.0) for x in (-210.0, 0.0, 210.0)]


def target(path_x, path_y, turn, rng, stderr=0.0, places=PLACES, claimed=0.01):
    """Return what the edges of tilted squares see: variance along the normal of all their points, plus noise."""
    edges = []
    c, s = np.cos(turn), np.sin(turn)
    for number, (x, y) in enumerate(places):
        tilt = math.radians(5.0 if number % 2 else -5.0)
        for side in range(4):
            angle = tilt + side * math.pi / 2
            normal = np.array([math.cos(angle), math.sin(angle)])
            along = np.array([-normal[1], normal[0]])
            middle = np.array([x, y]) + normal * SIDE / 2
            variances = []
            for part in (np.arange(25) + 0.5) / 25 - 0.5:
                px, py = middle + part * SIDE * along
                seen = (path_x + c * px - s * py) * normal[0] + (path_y + s * px + c * py) * normal[1]
                variances.append(seen.var())
            variance = float(np.mean(variances)) + stderr * rng.standard_normal()
            edges.append(EdgeVariance(900 + middle[0], 600 + middle[1], *normal, SIDE, variance, stderr or claimed))
    return edges


def straight(length, direction_deg):
    along = np.linspace(-0.5, 0.5, MOMENTS) * length
    return along * math.cos(math.radians(direction_deg)), along * math.sin(math.radians(direction_deg))


@pytest.mark.parametrize(("length", "turn_rad"), [(6.0, 0.015), (12.0, 0.004), (2.0, 0.02)])
@pytest.mark.parametrize("direction_deg", [0.0, 35.0, 90.0])
def test_translation_and_turn_are_told_apart(length, turn_rad, direction_deg):
    x, y = straight(length, direction_deg)
    # a turn in step with the way, as of a pendulum: the covariance of the two matters
    turn = np.linspace(-0.5, 0.5, MOMENTS) * turn_rad
    found = turn_covariance(target(x, y, turn, np.random.default_rng(1)))
    assert found.turn_rad == pytest.approx(turn_rad, rel=0.03)
    assert found.translation_px == pytest.approx(length, rel=0.03)


def test_no_turn_is_bounded_and_not_told():
    x, y = straight(5.0, 20.0)
    found = turn_covariance(target(x, y, np.zeros(MOMENTS), np.random.default_rng(3), stderr=0.02))
    assert not found.turned
    assert math.isnan(found.turn_rad)
    assert 0.0 < found.turn_bound_rad < 0.01
    assert found.streak_px == pytest.approx(5.0, abs=0.1)


def test_one_square_cannot_tell_a_turn_from_round_blur():
    turn = np.linspace(-0.5, 0.5, MOMENTS) * 0.02
    edges = target(*straight(3.0, 0.0), turn, np.random.default_rng(1), places=[(0.0, 0.0)])
    assert math.isnan(turn_covariance(edges).turn_variance_rad2)
    # of two squares the ends of a line move alike: a turn looks like a translation across that line
    two = target(*straight(3.0, 0.0), turn, np.random.default_rng(1), places=[(-150.0, 0.0), (150.0, 0.0)], claimed=0.1)
    assert math.isnan(turn_covariance(two).turn_rad)
    three = target(
        *straight(3.0, 0.0), turn, np.random.default_rng(1), places=[(-150.0, 0.0), (0.0, 60.0), (150.0, 0.0)]
    )
    assert turn_covariance(three).turn_rad == pytest.approx(0.02, rel=0.05)


def test_one_covariance_for_all_edges_would_miss_the_blur_of_a_turning_target():
    """The median over edges of one direction, which serves a pure translation, is not the mean over the target."""
    turn = np.linspace(-0.5, 0.5, MOMENTS) * 0.02
    edges = target(np.zeros(MOMENTS), np.zeros(MOMENTS), turn, np.random.default_rng(1))
    radius2 = np.mean([x * x + y * y for x, y in PLACES]) + SIDE**2 / 4 + SIDE**2 / 12
    true = 0.02 * math.sqrt(radius2)  # a point at r moves over an arc of r times the turn
    by_axis = [
        np.median([e.variance_px2 for e in edges if (abs(e.normal_x) > abs(e.normal_y)) == upright])
        for upright in (True, False)
    ]
    naive = math.sqrt(12.0 * sum(by_axis))
    found = turn_covariance(edges)
    assert found.streak_px == pytest.approx(true, rel=0.05)
    assert abs(naive / true - 1.0) > 0.1


@pytest.mark.statistical
def test_errors_scatter_as_stated():
    rng = np.random.default_rng(7)
    turn = np.linspace(-0.5, 0.5, MOMENTS) * 0.01
    x, y = straight(4.0, 50.0)
    clean = target(x, y, turn, rng)
    true = 0.01**2 / 12.0
    z = []
    for _ in range(200):
        noisy = [replace(e, variance_px2=e.variance_px2 + 0.03 * rng.standard_normal(), stderr_px2=0.03) for e in clean]
        found = turn_covariance(noisy)
        z.append((found.turn_variance_rad2 - true) / found.turn_variance_rad2_stderr)
    assert abs(np.mean(z)) < 0.25
    assert 0.8 < np.std(z) < 1.15
