"""Edges of the tripod frame found again in moved, turned, blurred frames, and refused where they are not."""

from __future__ import annotations

import math

import numpy as np
import pytest
from moving_squares import Square, green, motion_path, noisy, render, squares
from numpy.typing import NDArray

from kitgauge.measure.blur.edge_tracking import follow_edges
from kitgauge.measure.blur.streak import StreakReference, measure_streak, reference_edges
from kitgauge.measure.edges.clear_ground import widen_edges
from kitgauge.measure.edges.edge_candidate import EdgeCandidate, candidate_from_line
from kitgauge.measure.edges.edge_profile import edge_profiles

SHAPE = (560, 720)
SIDE = 140.0
BLUR_PX = 2.563 * 0.75  # 10-90 % distance of a Gaussian edge of sigma 0.75 px
SCENE = squares(side=SIDE, rows=SHAPE[0], columns=SHAPE[1])
MASK = green(SHAPE)
CLEAN = np.zeros(SHAPE, dtype=bool)
STILL = np.zeros((2, 2))


def edges_of(scene: list[Square], free_px: float = 30.0) -> list[EdgeCandidate]:
    found = []
    for group, square in enumerate(scene):
        for number, side in enumerate(("right", "bottom", "left", "top")):
            angle = square.tilt_rad + 0.5 * math.pi * number
            nx, ny = math.cos(angle), math.sin(angle)
            x, y = square.x + 0.5 * SIDE * nx, square.y + 0.5 * SIDE * ny
            half = 0.5 * SIDE - 12.0
            line = (x - half * ny, y + half * nx, x + half * ny, y - half * nx)
            known = {"contrast": 10.0, "blur_px": BLUR_PX}
            found.append(candidate_from_line(*line, (nx, ny), free_px, group=group, side=side, **known))
    return found


EDGES = edges_of(SCENE)


def picture(
    path: NDArray[np.float64] = STILL, seed: int = 1, snr: float = 40.0, shift: tuple[float, float] = (0.0, 0.0),
    turn_deg: float = 0.0, light: float = 1.0,
) -> NDArray[np.float32]:  # fmt: skip
    image = render(SCENE, path, SHAPE, shift=shift, turn_rad=math.radians(turn_deg), points=64)
    return noisy(image * np.float32(light), snr, np.random.default_rng(seed))


def place(edge: EdgeCandidate, shift: tuple[float, float], turn_deg: float) -> tuple[float, float, float, float]:
    """Where an edge of the scene truly lies: centre and normal (turn about the middle of the frame, then
    shift)."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    mx, my = 0.5 * (SHAPE[1] - 1), 0.5 * (SHAPE[0] - 1)
    dx, dy = edge.x_px - mx, edge.y_px - my
    return (
        mx + c * dx - s * dy + shift[0], my + s * dx + c * dy + shift[1],
        c * edge.normal_x - s * edge.normal_y, s * edge.normal_x + c * edge.normal_y,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "streak", "shift", "turn_deg", "light"),
    [
        ("still", 0.0, (0.0, 0.0), 0.0, 1.0),
        ("still", 0.0, (88.0, -60.0), 1.6, 0.25),
        ("drift", 40.0, (-70.0, 52.0), -1.2, 1.0),
        ("sine", 25.0, (40.0, 66.0), 0.6, 4.0),
        ("curve", 40.0, (-95.0, -40.0), 0.4, 1.0),
    ],
)
def test_edges_are_followed(
    kind: str, streak: float, shift: tuple[float, float], turn_deg: float, light: float
) -> None:
    frame = picture(motion_path(kind, streak, 0.7), shift=shift, turn_deg=turn_deg, light=light)
    found = follow_edges(frame, MASK, CLEAN, widen_edges(picture(), MASK, EDGES))
    assert len(found.candidates) >= 14  # shifts push up to six edges to the border or beyond
    assert abs(found.turn_deg - turn_deg) < 0.1
    by_name = {(edge.group, edge.side): edge for edge in EDGES}
    for edge in found.candidates:
        x, y, nx, ny = place(by_name[edge.group, edge.side], shift, turn_deg)
        across = (edge.x_px - x) * nx + (edge.y_px - y) * ny
        # the profile is centred again later: a small part of the smear is near enough
        assert abs(across) < 1.0 + 0.1 * streak
        assert math.degrees(math.acos(min(1.0, edge.normal_x * nx + edge.normal_y * ny))) < 1.5


def test_blur_shortens_edges_and_windows() -> None:
    frame = picture(motion_path("drift", 30.0, 0.0))
    found = follow_edges(frame, MASK, CLEAN, EDGES)
    upright = [edge for edge in found.candidates if edge.orientation == "vertical"]
    level = [edge for edge in found.candidates if edge.orientation == "horizontal"]
    assert min(edge.length_px for edge in upright) > 114.0
    assert max(edge.length_px for edge in level) < 116.0 - 30.0  # 15 px of smear at either end
    assert max(edge.half_width_px for edge in upright) < 16.0
    assert min(edge.half_width_px for edge in level) > 29.0


def test_edges_out_of_the_frame_are_refused() -> None:
    found = follow_edges(picture(shift=(150.0, 0.0)), MASK, CLEAN, EDGES)
    lost = {(round(edge.x0), edge.flag) for edge in found.refused}
    assert found.refused
    assert {flag for _, flag in lost} <= {"moved-target", "edge-short", "no-edge"}
    for edge in found.candidates:
        assert min(edge.x0, edge.x1) >= -1.0
        assert max(edge.x0, edge.x1) <= SHAPE[1]


def test_clipped_edges_are_refused() -> None:
    frame = picture()
    saturated = np.zeros(SHAPE, dtype=bool)
    saturated[:, : SHAPE[1] // 2] = frame[:, : SHAPE[1] // 2] > 2500.0
    found = follow_edges(frame, MASK, saturated, EDGES)
    assert {edge.flag for edge in found.refused} == {"edge-clipped"}
    assert found.candidates


def _other_scene(name: str) -> NDArray[np.float32]:
    rng = np.random.default_rng(3)
    rows, columns = np.indices(SHAPE)
    if name == "flat":
        scene = np.full(SHAPE, 1500.0)
    elif name == "gradient":
        scene = 300.0 + 3.0 * columns + rows
    else:
        scene = np.full(SHAPE, 200.0)
        scene[150:420, 220:560] = 3000.0
    return noisy(scene.astype(np.float32), 40.0, rng)


@pytest.mark.parametrize("name", ["flat", "gradient", "window"])
def test_frames_without_the_target_give_nothing(name: str) -> None:
    found = follow_edges(_other_scene(name), MASK, CLEAN, EDGES)
    assert found.candidates == ()
    assert len(found.refused) == len(EDGES)


def _reference() -> tuple[tuple[EdgeCandidate, ...], StreakReference]:
    frames = [picture(seed=seed) for seed in (11, 12)]
    wide = widen_edges(frames[0], MASK, EDGES)
    return wide, reference_edges([edge_profiles(frame, MASK, CLEAN, wide) for frame in frames])


def test_the_shakiest_frames_are_counted_not_lost() -> None:
    """Streaks as long as the squares: nothing there looks like an edge, and yet the frame must count as too
    blurred."""
    wide, still = _reference()
    for kind, streak in (("drift", 130.0), ("drift", 190.0), ("curve", 150.0)):
        frame = picture(motion_path(kind, streak, 0.5), shift=(30.0, -20.0), seed=4)
        profiles = edge_profiles(frame, MASK, CLEAN, follow_edges(frame, MASK, CLEAN, wide).candidates)
        found = measure_streak(profiles, still)
        assert found.censored == "above", (kind, streak)
        assert 10.0 < found.bound_px < streak


def test_no_reference_edges() -> None:
    found = follow_edges(picture(), MASK, CLEAN, [])
    assert found.candidates == ()
    assert math.isnan(found.shift_x_px)


def test_ground_is_widened_to_the_next_structure_only() -> None:
    """Inside, the far side of the square is 140 px away; outside, the next square or the frame's border."""
    wide = widen_edges(picture(), MASK, EDGES)
    for before, after in zip(EDGES, wide, strict=True):
        assert after.half_width_dark_px >= before.half_width_dark_px
        assert 100.0 <= after.half_width_dark_px <= 120.0
        assert after.half_width_bright_px >= before.half_width_bright_px
    # a bar printed 60 px beside the left side of the middle square
    frame = picture()
    middle = SCENE[2]
    x = int(middle.x - 0.5 * SIDE - 60.0)
    frame[int(middle.y) - 10 : int(middle.y) + 10, x - 6 : x] = 300.0
    left = next(edge for edge in widen_edges(frame, MASK, EDGES) if edge.group == 2 and edge.side == "left")
    assert 45.0 < left.half_width_bright_px < 62.0
