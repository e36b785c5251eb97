"""Edges found by themselves on charts drawn here: patches of every kind, and frames that make it hard."""

import math
from collections import Counter
from pathlib import Path

import cv2
import numpy as np
import pytest
from edge_scenes import add_noise, green, half_plane, square, true_mtf50

from kitgauge.flags import FLAGS
from kitgauge.measure.edges.edge_finding import EdgeSearch, find_edges
from kitgauge.measure.edges.edge_sfr import measure_edge

REAL = Path(__file__).resolve().parents[2].parent / "shared/real/chart-frame/chart_1920x1080_rggb_10bit.raw"
ROWS, COLUMNS, SIDE = 520, 760, 130.0
CENTRES = [(130.0, 140.0), (380.0, 130.0), (630.0, 140.0), (130.0, 385.0), (380.0, 390.0), (630.0, 385.0)]


def chart(
    *,
    tilt: float = 5.0,
    dark: float = 0.25,
    invert: bool = False,
    stops: float = 0.0,
    defocus: float = 0.0,
    motion: float = 0.0,
    snr: float = 60.0,
    distortion: float = 0.0,
    surround: float = 0.0,
    skew: float = 0.0,
    bow: float = 0.0,
    text: bool = False,
    seed: int = 0,
) -> tuple[np.ndarray, list[np.ndarray]]:
    """A drawn chart of six patches at three samples per pixel, averaged; the signal and each side's end points."""
    scale, rng = 3, np.random.default_rng(seed)
    ground, ink = (dark, 1.0) if invert else (1.0, dark)
    picture = np.full((ROWS * scale, COLUMNS * scale), ground, dtype=np.float32)
    middle = np.array([COLUMNS / 2, ROWS / 2])
    if surround:
        rough = rng.normal(size=(ROWS // 4 + 1, COLUMNS // 4 + 1)).astype(np.float32)
        rough = cv2.resize(rough, (COLUMNS * scale, ROWS * scale), interpolation=cv2.INTER_CUBIC)
        edge = np.ones(picture.shape, dtype=bool)
        edge[60 : ROWS * scale - 60, 60 : COLUMNS * scale - 60] = False
        picture = np.where(edge, 0.4 + surround * rough, picture).astype(np.float32)
    sides: list[np.ndarray] = []
    for number, centre in enumerate(CENTRES):
        corners = square((0.0, 0.0), SIDE, tilt) * (1.0 + skew * rng.uniform(-1, 1, (4, 2))) + np.array(centre)
        outline = []
        for k in range(4):
            run, t = corners[(k + 1) % 4] - corners[k], np.linspace(0, 1, 30)[:, None]
            part = corners[k] + t * run + bow * 4.0 * t * (1.0 - t) * np.array([run[1], -run[0]])
            radius = ((part - middle) ** 2).sum(axis=1) / (middle**2).sum()
            part = middle + (part - middle) * (1.0 + distortion * radius)[:, None]
            sides.append(part)
            outline.append(part[:-1])
        points = np.round((np.concatenate(outline) + 0.5) * scale * 16 - 8).astype(np.int32)
        cv2.fillPoly(picture, [points], ink, lineType=cv2.LINE_8, shift=4)
        if text:
            label = np.zeros(picture.shape, dtype=np.uint8)
            at = int((centre[0] - 40) * scale), int((centre[1] + 10) * scale)
            cv2.putText(label, f"Zone {number}", at, cv2.FONT_HERSHEY_SIMPLEX, 2.0, 255, 6)
            picture[label > 0] = 0.6
    picture = cv2.resize(picture, (COLUMNS, ROWS), interpolation=cv2.INTER_AREA)
    if defocus:
        y, x = np.mgrid[-12:13, -12:13]
        disc = np.clip(0.5 * defocus + 0.5 - np.hypot(x, y), 0, 1).astype(np.float32)
        picture = cv2.filter2D(picture, -1, disc / disc.sum())
    if motion:
        t = np.linspace(-0.5, 0.5, 60) * motion / math.sqrt(2.0)
        streak = np.histogram2d(t, t, bins=25, range=[[-12.5, 12.5]] * 2)[0].astype(np.float32)
        picture = cv2.filter2D(picture, -1, streak / streak.sum())
    picture = cv2.GaussianBlur(picture, (0, 0), 0.6)
    light = 2.0 ** (-stops * np.arange(COLUMNS) / COLUMNS)
    return add_noise(3000.0 * picture * light, 3000.0, snr, seed), sides


def search(signal: np.ndarray, pattern: str = "bayer") -> EdgeSearch:
    return find_edges(signal, green(signal.shape, pattern), np.zeros(signal.shape, dtype=bool))


def matched(found: EdgeSearch, sides: list[np.ndarray]) -> list[int | None]:
    """For each side the candidate on it whose centre is in its middle half and whose course follows it."""
    result: list[int | None] = []
    for side in sides:
        middle, length = side[15], float(np.linalg.norm(side[-1] - side[0]))
        hit = None
        for index, candidate in enumerate(found.candidates):
            offset = middle - np.array([candidate.x_px, candidate.y_px])
            if np.linalg.norm(offset) < 0.25 * length and abs(offset @ np.array(candidate.normal)) < 3.0:
                hit = index
        result.append(hit)
    return result


CONDITIONS = {
    "plain": {},
    "contrast 1.5": {"dark": 0.667},
    "contrast 20": {"dark": 0.05},
    "bright patches": {"invert": True},
    "two stops of light": {"stops": 2.0},
    "defocus 12 px": {"defocus": 12.0},
    "motion 12 px": {"motion": 12.0},
    "SNR 10": {"snr": 10.0},
    "SNR 10, contrast 2": {"snr": 10.0, "dark": 0.5},
    "barrel": {"distortion": -0.03},
    "pincushion": {"distortion": 0.03},
    "textured surround": {"surround": 0.15},
    "writing": {"text": True},
    "quadrilaterals": {"skew": 0.1, "tilt": 7.0},
    "tilt 2": {"tilt": 2.0},
    "tilt -12": {"tilt": -12.0},
    "tilt 30": {"tilt": 30.0},
}


@pytest.mark.parametrize("name", CONDITIONS)
def test_every_side_of_every_patch(name: str) -> None:
    signal, sides = chart(**CONDITIONS[name])
    found = search(signal)
    hits = matched(found, sides)
    missed = [number for number, hit in enumerate(hits) if hit is None]
    assert not missed, (missed, Counter(r.flag for r in found.refused))
    # each patch is one group of its own, with all four sides
    groups = [{found.candidates[hits[4 * patch + k]].group for k in range(4)} for patch in range(6)]
    assert all(len(group) == 1 for group in groups)
    assert len(set().union(*groups)) == 6
    for patch in range(6):
        names = Counter(found.candidates[hits[4 * patch + k]].side for k in range(4))
        assert names == {"left": 1, "right": 1, "top": 1, "bottom": 1}


@pytest.mark.parametrize("name", ["plain", "bright patches", "two stops of light"])
def test_normal_points_from_dark_to_bright(name: str) -> None:
    signal, sides = chart(**CONDITIONS[name])
    smooth = cv2.GaussianBlur(signal, (0, 0), 2.0)
    found = search(signal)
    assert len(found.candidates) >= len(sides)
    for edge in found.candidates:
        ahead, behind = (
            smooth[round(edge.y_px + k * edge.normal_y), round(edge.x_px + k * edge.normal_x)] for k in (7, -7)
        )
        assert ahead > behind
        assert edge.orientation == ("vertical" if abs(edge.normal_x) > abs(edge.normal_y) else "horizontal")


def test_free_ground_never_reaches_into_a_neighbour() -> None:
    """The patches are 115 to 120 px apart and 130 px wide; the free ground must end before the next structure."""
    signal, sides = chart(text=True)
    found = search(signal)
    hits = matched(found, sides)
    for patch in range(6):
        for k in range(4):
            edge = found.candidates[hits[4 * patch + k]]
            assert edge.patch_is_dark
            assert edge.patch_px == pytest.approx(SIDE, abs=4.0)
            if edge.side in ("top", "bottom"):
                # the writing begins about 50 px from these sides and ends 15 px lower than the centre
                assert edge.half_width_dark_px < 62.0


@pytest.mark.parametrize("pattern", ["bayer", "six", "mono"])
def test_found_edges_measure_right(pattern: str) -> None:
    """Lone half-plane of known sharpness: found without help, measured within four standard errors and 1.5 %."""
    scene = half_plane(cutoff_px=0.78, sigma_px=0.5, snr=100, pattern=pattern, length=260.0, reach=60.0, seed=2)
    found = find_edges(scene.signal, scene.mask, scene.saturated)
    assert len(found.candidates) == 1
    edge = measure_edge(scene.signal, scene.mask, scene.saturated, found.candidates[0])
    expected = true_mtf50(0.78, 0.5, 5.0)
    assert edge.length_px > 220.0
    assert abs(edge.mtf50_cy_per_px - expected) < min(4.0 * edge.mtf50_stderr, 0.015 * expected)


def test_patch_cut_by_the_border() -> None:
    """A large patch of which a corner is in view: its two sides are found."""
    y, x = np.mgrid[0:400, 0:500].astype(float)
    turn = math.radians(6.0)
    a, b = x * math.cos(turn) + y * math.sin(turn), -x * math.sin(turn) + y * math.cos(turn)
    share = 0.5 * (1 + np.tanh((a - 250.0) / 0.8)) * 0.5 * (1 + np.tanh((b - 170.0) / 0.8))
    signal = add_noise(3000.0 - 2200.0 * share, 3000.0, 60.0, 1)
    found = search(signal)
    assert sorted(edge.side for edge in found.candidates) == ["left", "top"]
    assert len({edge.group for edge in found.candidates}) == 1


@pytest.mark.parametrize(
    ("flag", "change"),
    [
        ("edge-angle", {"tilt": 0.3}),
        ("edge-angle", {"tilt": 44.5}),
        ("low-contrast", {"dark": 0.9}),
        ("edge-clipped", {"clip": True}),
        ("edge-curved", {"bow": 0.1}),
    ],
)
def test_refused_with_the_reason(flag: str, change: dict) -> None:
    clip = change.pop("clip", False)
    signal, sides = chart(snr=100.0, **change)
    saturated = np.zeros(signal.shape, dtype=bool)
    if clip:
        saturated = signal > 2900.0
    found = find_edges(signal, green(signal.shape, "bayer"), saturated)
    reasons = Counter(refused.flag for refused in found.refused)
    assert reasons[flag] >= 6, reasons
    # a short piece of a curve is straight enough to be used
    assert all(flag == "edge-curved" and edge.length_px < 0.4 * SIDE for edge in found.candidates)
    assert all(refused.text and refused.flag in FLAGS for refused in found.refused)
    assert len(sides) == 24


@pytest.mark.parametrize("kind", ["noise", "flat", "black", "clouds", "tiny"])
def test_frames_without_edges(kind: str) -> None:
    rng = np.random.default_rng(0)
    signal = {
        "noise": rng.normal(1000.0, 50.0, (300, 400)),
        "flat": np.full((300, 400), 1000.0),
        "black": rng.normal(0.0, 2.0, (300, 400)),
        "clouds": 1000.0 + 400.0 * cv2.GaussianBlur(rng.normal(size=(300, 400)), (0, 0), 8.0) * 15.0,
        "tiny": np.full((6, 8), 1000.0),
    }[kind].astype(np.float32)
    found = search(signal)
    measured = [
        measure_edge(signal, green(signal.shape, "bayer"), np.zeros(signal.shape, dtype=bool), edge)
        for edge in found.candidates
    ]
    assert not any(edge.usable for edge in measured)


def test_shapes_must_agree() -> None:
    with pytest.raises(ValueError, match="one shape"):
        find_edges(np.zeros((4, 4), np.float32), np.ones((4, 5), bool), np.zeros((4, 4), bool))


@pytest.fixture(scope="module")
def real_frame() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    if not REAL.exists():
        pytest.skip(f"the real chart frame is not at {REAL}")
    samples = np.fromfile(REAL, dtype="<u2").reshape(1080, 1920)
    return samples.astype(np.float32), green(samples.shape, "bayer"), samples >= 1020


# centres of the five tilted grey squares (x, y), read off the picture by eye, +- 10 px
REAL_SQUARES = [(330.0, 232.0), (1493.0, 203.0), (920.0, 553.0), (349.0, 909.0), (1510.0, 877.0)]


def test_real_frame_finds_all_sides_of_the_grey_squares(real_frame) -> None:
    found = find_edges(*real_frame)
    edges = (*found.candidates, *found.refused)
    seen = [(0.5 * (e.x0 + e.x1), 0.5 * (e.y0 + e.y1), e.x1 - e.x0, e.y1 - e.y0) for e in edges]
    for x, y in REAL_SQUARES:
        near = [s for s in seen if 60.0 < math.hypot(s[0] - x, s[1] - y) < 110.0 and math.hypot(s[2], s[3]) > 90.0]
        directions = Counter(
            ("left" if s[0] < x else "right") if abs(s[3]) > abs(s[2]) else ("top" if s[1] < y else "bottom")
            for s in near
        )
        assert set(directions) == {"left", "right", "top", "bottom"}, ((x, y), near)


def test_real_frame_measures_or_refuses(real_frame) -> None:
    """White clips in green over most of this frame; edges with clipped white are refused, the others measured.

    The lower left square has all four sides outside the clipped white. Its two sides of one direction lie 160 px
    apart, and the inner one is the sharper: the lens falls off towards the left border (the other squares at that
    border say the same), so they do not agree within their errors, and should not. The central square's sides, measured
    in red, differ by up to 8 % (4 standard errors): the same fall-off, less steep in the middle. How far the
    standard errors themselves can be trusted on this frame shows where the lens cannot interfere: the two green
    planes of one edge (next test).
    """
    signal, mask, saturated = real_frame
    found = find_edges(signal, mask, saturated)
    refused = Counter(r.flag for r in found.refused)
    assert refused["edge-clipped"] > 20
    square_edges = {}
    for candidate in found.candidates:
        if math.hypot(candidate.x_px - 349.0, candidate.y_px - 909.0) < 110.0 and candidate.length_px > 100.0:
            square_edges[candidate.side] = measure_edge(signal, mask, saturated, candidate)
    assert set(square_edges) == {"left", "right", "top", "bottom"}
    for edge in square_edges.values():
        assert edge.flags == ()
        assert 0.1 < edge.mtf50_cy_per_px < 0.35
        # the print's texture goes together along the edge: three times the error of independent samples at one side
        assert edge.mtf50_stderr < 0.05 * edge.mtf50_cy_per_px
    assert square_edges["right"].mtf50_cy_per_px > square_edges["left"].mtf50_cy_per_px
    # red does not clip beside the central square
    red = np.zeros(signal.shape, dtype=bool)
    red[0::2, 0::2] = True
    central = {}
    for candidate in find_edges(signal, red, saturated).candidates:
        if math.hypot(candidate.x_px - 920.0, candidate.y_px - 553.0) < 110.0 and candidate.length_px > 100.0:
            central[candidate.side] = measure_edge(signal, red, saturated, candidate)
    assert set(central) == {"left", "right", "top", "bottom"}
    for one, other in (("left", "right"), ("top", "bottom")):
        a, b = central[one], central[other]
        assert a.flags == b.flags == ()
        assert a.mtf50_cy_per_px == pytest.approx(b.mtf50_cy_per_px, rel=0.1)


def test_real_frame_two_green_planes_scatter_little_more_than_their_errors(real_frame) -> None:
    """The same edges through the greens of the red rows and of the blue rows: same light, same lens, other samples.

    On this frame they scatter about 1.5 times their stated errors: those are too small here, by what is not known (the
    frame is not documented; lines along the steps and tone mapping are candidates). The bound keeps it from growing.
    """
    signal, mask, saturated = real_frame
    planes = [np.zeros_like(mask), np.zeros_like(mask)]
    planes[0][0::2, 1::2] = True
    planes[1][1::2, 0::2] = True
    pulls = []
    for candidate in find_edges(signal, mask, saturated).candidates:
        one, other = (measure_edge(signal, plane, saturated, candidate) for plane in planes)
        if one.usable and other.usable:
            error = math.hypot(one.mtf50_stderr, other.mtf50_stderr)
            pulls.append((one.mtf50_cy_per_px - other.mtf50_cy_per_px) / error)
    assert len(pulls) >= 15
    middle = 0.5 * (np.percentile(pulls, 84.1) - np.percentile(pulls, 15.9))
    assert 0.4 < middle < 1.7
