"""Each reason to refuse an edge, provoked alone: the four sides of one square, and nothing else in the frame."""

import re

import cv2
import numpy as np
import pytest
from edge_scenes import add_noise, green, square

from kitgauge.flags import FLAGS
from kitgauge.measure.edges.edge_finding import find_edges

ROWS, COLUMNS, SCALE = 420, 520, 3
BRIGHT_DN = 3000.0


def scene(
    *,
    side: float = 180.0,
    tilt: float = 5.0,
    dark: float = 0.25,
    bow: float = 0.0,
    rough: float = 0.0,
    jagged: float = 0.0,
    ring: float = 0.0,
    blur: float = 0.6,
) -> np.ndarray:
    """One square in the middle; `ring` draws a frame around it so many pixels away."""
    rng = np.random.default_rng(4)
    picture = np.full((ROWS * SCALE, COLUMNS * SCALE), 1.0, np.float32)
    if ring:
        for grow, value in ((2.0 * (ring + 6.0), dark), (2.0 * ring, 1.0)):
            corners = square((COLUMNS / 2, ROWS / 2), side + grow, tilt)
            cv2.fillPoly(picture, [np.round(corners * SCALE * 16).astype(np.int32)], value, shift=4)
    corners, outline = square((COLUMNS / 2, ROWS / 2), side, tilt), []
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        t = np.linspace(0.0, 1.0, 60)[:, None]
        normal = np.array([(b - a)[1], -(b - a)[0]])
        stray = jagged * rng.normal(size=t.shape) / np.hypot(*normal)
        outline.append((a + t * (b - a) + (bow * 4.0 * t * (1.0 - t) + stray) * normal)[:-1])
    cv2.fillPoly(picture, [np.round(np.concatenate(outline) * SCALE * 16).astype(np.int32)], dark, shift=4)
    picture = cv2.resize(picture, (COLUMNS, ROWS), interpolation=cv2.INTER_AREA)
    if rough:
        small = rng.normal(size=(ROWS // 7 + 2, COLUMNS // 7 + 2)).astype(np.float32)
        picture = picture * (1.0 + rough * cv2.resize(small, (COLUMNS, ROWS), interpolation=cv2.INTER_CUBIC))
    picture = cv2.GaussianBlur(picture, (0, 0), blur)
    return add_noise(BRIGHT_DN * picture, BRIGHT_DN, 100.0, 1)


def search(signal: np.ndarray, saturated: np.ndarray | None = None):
    full = np.zeros(signal.shape, dtype=bool) if saturated is None else saturated
    return find_edges(signal, green(signal.shape, "bayer"), full)


def test_the_square_itself_is_found() -> None:
    found = search(scene())
    assert sorted(edge.side for edge in found.candidates) == ["bottom", "left", "right", "top"]
    assert found.refused == ()


@pytest.mark.parametrize(
    ("flag", "change", "words"),
    [
        ("low-contrast", {"dark": 0.85}, "contrast 1.1. to 1"),
        ("edge-short", {"side": 34.0}, "px long"),
        ("edge-curved", {"bow": 0.06}, "bends by"),
        ("edge-angle", {"tilt": 0.4}, "tilted by 0.4 degrees"),
        ("edge-angle", {"tilt": 44.4}, "tilted by 44.[34] degrees"),
        ("edge-textured", {"rough": 0.04}, "rough"),
        ("edge-textured", {"jagged": 2.0}, "strays by"),
        ("edge-crowded", {"ring": 6.0, "dark": 0.4}, "free ground"),
    ],
)
def test_one_reason_alone(flag: str, change: dict, words: str) -> None:
    found = search(scene(**change))
    assert found.candidates == ()
    # spots of the rough ground are seen as short edges of their own
    length = change.get("side", 180.0)
    sides = [edge for edge in found.refused if np.hypot(edge.x1 - edge.x0, edge.y1 - edge.y0) > 0.4 * length]
    assert len(sides) >= 3  # one side of the smallest square may be too short even to report
    assert {edge.flag for edge in sides} == {flag}
    assert {edge.flag for edge in found.refused if edge not in sides} <= (
        {"edge-short"} if "rough" in change else set()
    )
    for refused in sides:
        assert re.search(words, refused.text), refused.text
    assert FLAGS[flag].text and FLAGS[flag].advice


def test_the_pieces_of_a_disc_bend_rather_than_being_short() -> None:
    """Straight lines follow a disc for short stretches only: that it bends is why, and what helps."""
    picture = np.full((ROWS * SCALE, COLUMNS * SCALE), 1.0, np.float32)
    cv2.circle(picture, (COLUMNS * SCALE // 2, ROWS * SCALE // 2), 45 * SCALE, 0.2, -1)
    picture = cv2.GaussianBlur(cv2.resize(picture, (COLUMNS, ROWS), interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    found = search(add_noise(BRIGHT_DN * picture, BRIGHT_DN, 100.0, 1))
    assert found.candidates == ()
    flags = [edge.flag for edge in found.refused]
    assert len(flags) >= 2 and flags.count("edge-curved") > 0.5 * len(flags), flags


def test_clipped_white() -> None:
    signal = scene()
    found = search(signal, signal > 0.97 * BRIGHT_DN)
    assert found.candidates == ()
    assert {refused.flag for refused in found.refused} == {"edge-clipped"}
    assert len(found.refused) == 4


def test_clipping_elsewhere_does_not_matter() -> None:
    signal = scene()
    saturated = np.zeros(signal.shape, dtype=bool)
    saturated[:60, :80] = True
    assert len(search(signal, saturated).candidates) == 4


def test_blur_of_a_clean_square_is_no_texture() -> None:
    found = search(scene(blur=4.0))
    assert len(found.candidates) == 4
