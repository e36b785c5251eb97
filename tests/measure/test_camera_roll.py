"""Roll of the camera told apart from pitch and yaw; the truth comes from integrated paths."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from moving_squares import motion_path
from numpy.typing import NDArray
from scipy.special import ndtr

from kitgauge.measure.blur.camera_roll import at_the_centre, camera_roll
from kitgauge.measure.blur.streak import edge_key, measure_streak, reference_edges
from kitgauge.measure.edges.edge_candidate import EdgeCandidate, candidate_from_line

SHAPE = (2000, 3000)
CENTRE = np.array([1499.5, 999.5])
SPREAD = ((450, 300), (2550, 300), (1500, 1000), (450, 1700), (2550, 1700))
NEAR = ((1400, 900), (1600, 900), (1500, 1000), (1400, 1100), (1600, 1100))
POSITION = np.arange(-40.0, 40.01, 0.25)
EVEN = np.linspace(-0.5, 0.5, 1001)
STILL = np.zeros((2, EVEN.size))
NOISE_DN = 4.0
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Edge:
    candidate: EdgeCandidate
    position_px: Array
    esf: Array
    esf_stderr: Array
    flags: tuple[str, ...] = ()


def frame(rng: np.random.Generator, path: Array, turn_rad: Array, places: tuple[tuple[int, int], ...]) -> list[Edge]:
    """Edges of tilted squares; every stretch of an edge moves by the path plus the turn times its own lever."""
    found = []
    for group, place in enumerate(places):
        for number, side in enumerate(("right", "bottom", "left", "top")):
            angle = math.radians((5.0 if group % 2 else -4.0) + 90.0 * number)
            normal = np.array([math.cos(angle), math.sin(angle)])
            along = np.array([-normal[1], normal[0]])
            middle = np.array(place) + 75.0 * normal
            rise = np.zeros(POSITION.size)
            for stretch in np.linspace(-48.0, 48.0, 5):
                x, y = middle + stretch * along - CENTRE
                moved = normal @ path + turn_rad * (normal @ np.array([-y, x]))
                rise += ndtr((POSITION[:, None] - (moved - moved.mean())[::8]) / 0.7).mean(axis=1) / 5.0
            esf = 100.0 + 2000.0 * rise + NOISE_DN * rng.standard_normal(POSITION.size)
            ends = (*(middle - 60.0 * along), *(middle + 60.0 * along))
            candidate = candidate_from_line(*ends, (normal[0], normal[1]), 40.0, group=group, side=side)
            found.append(Edge(candidate, POSITION, esf, np.full(POSITION.size, NOISE_DN)))
    return found


def streak_at(path: Array, turn_rad: Array, x: float, y: float) -> float:
    """Streak of a point (x, y) from the frame's centre, from its own path."""
    return math.sqrt(12.0 * float(np.var(path[0] - turn_rad * y) + np.var(path[1] + turn_rad * x)))


# how the turn goes with time: with the drift, against it, and without correlation
TURNS = {"with": EVEN, "against": -EVEN, "apart": np.abs(EVEN) * 2.0}


@pytest.mark.parametrize(
    ("streak", "roll_mrad", "how"),
    [(3.0, 2.0, "with"), (3.0, 2.0, "apart"), (10.0, 4.0, "against"), (1.0, 1.5, "apart")],
)
def test_roll_and_the_streak_at_the_centre(streak: float, roll_mrad: float, how: str) -> None:
    rng = np.random.default_rng(2)
    still = reference_edges([frame(rng, STILL, 0.0 * EVEN, SPREAD) for _ in range(3)])
    path = motion_path("drift", streak, 0.7, EVEN.size)
    turn = TURNS[how] * (1e-3 * roll_mrad / math.sqrt(12.0) / float(np.std(TURNS[how])))
    edges = frame(rng, path, turn, SPREAD)
    naive = measure_streak(edges, still)
    roll = camera_roll(naive, {edge_key(edge): edge.candidate for edge in edges}, SHAPE)
    centre = at_the_centre(naive, roll, still)
    true_px = streak_at(path, turn, 0.0, 0.0)
    assert true_px == pytest.approx(streak, rel=0.01)
    assert abs(centre.streak_px - true_px) < 0.08 + 0.02 * true_px
    assert abs(roll.roll_mrad - roll_mrad) < max(4.0 * roll.roll_stderr_mrad, 0.02 * roll_mrad)
    assert roll.roll_stderr_mrad < 0.1
    corners = {(i, j): streak_at(path, turn, 1499.5 * i, 999.5 * j) for i in (-1, 1) for j in (-1, 1)}
    assert roll.worst_px == pytest.approx(max(corners.values()), rel=0.03)
    named = {"top": -1, "bottom": 1, "left": -1, "right": 1}
    down, across = roll.worst_place.split("-")
    assert corners[named[across], named[down]] == pytest.approx(max(corners.values()), rel=0.03)
    # one motion for all places is the wrong model: far off, or in doubt
    assert abs(naive.streak_px - true_px) > 0.08 + 0.02 * true_px
    assert abs(centre.direction_deg - math.degrees(0.7)) < 3.0


def test_pure_roll_leaves_the_centre_below_the_floor() -> None:
    rng = np.random.default_rng(3)
    still = reference_edges([frame(rng, STILL, 0.0 * EVEN, SPREAD) for _ in range(3)])
    edges = frame(rng, STILL, 2e-3 * EVEN, SPREAD)
    naive = measure_streak(edges, still)
    assert naive.streak_px > 2.0
    roll = camera_roll(naive, {edge_key(edge): edge.candidate for edge in edges}, SHAPE)
    centre = at_the_centre(naive, roll, still)
    assert centre.censored == "below"
    assert "below-floor" in centre.flags
    assert centre.bound_px < 1.0
    assert roll.roll_mrad == pytest.approx(2.0, rel=0.03)


def test_no_roll_is_bounded_and_near_squares_tell_nothing() -> None:
    rng = np.random.default_rng(4)
    path = motion_path("drift", 4.0, 2.0, EVEN.size)
    for places, known in ((SPREAD, True), (NEAR, False), (SPREAD[:1], False)):
        still = reference_edges([frame(rng, STILL, 0.0 * EVEN, places) for _ in range(2)])
        edges = frame(rng, path, 0.0 * EVEN, places)
        naive = measure_streak(edges, still)
        roll = camera_roll(naive, {edge_key(edge): edge.candidate for edge in edges}, SHAPE)
        assert math.isnan(roll.roll_mrad)
        assert math.isfinite(roll.roll_bound_mrad) == known
        assert at_the_centre(naive, roll, still) == naive
        if known:
            assert 0.0 < roll.roll_bound_mrad < 1.0
