"""MTF50 and the MTF curve over what frames differ in, for lens shapes that the fit's reference does not have.

Truth: edge_optics (sine series of transfer functions from the pupil), a supersampled scene, and plain Fourier analysis.
"""

import math
from pathlib import Path

import numpy as np
import pytest
from edge_optics import (
    Transfer,
    disc,
    ideal,
    mtf50_of,
    normal,
    product,
    pupil,
    sharpened,
    skewed,
    spread_of,
    with_pixel,
)
from edge_scenes import Scene, green, half_plane
from scipy.special import erf

from kitgauge.measure.edges.edge_candidate import candidate_from_line
from kitgauge.measure.edges.edge_finding import find_edges
from kitgauge.measure.edges.edge_mtf import FREQUENCIES_CY_PER_PX, mtf_of
from kitgauge.measure.edges.edge_mtf import mtf50_of as fitted_mtf50
from kitgauge.measure.edges.edge_noise import alike
from kitgauge.measure.edges.edge_sfr import EdgeMeasurement, measure_edge

NU = np.linspace(0.0, 0.5, 51)
PIXEL_AND_LENS = {0.25: 0.8, 0.39: 0.35, 0.55: 0.3, 1.1: 0.35, 2.2: 0.35, 3.11: 0.35}  # about f/1.8 to f/22 on 4 um


def lens(cutoff_px: float) -> Transfer:
    return _LENSES[cutoff_px]


_LENSES = {cutoff: product(ideal(cutoff), normal(sigma)) for cutoff, sigma in PIXEL_AND_LENS.items()}


def make(transfer: Transfer, tilt: float, seed: int, **scene: object) -> Scene:
    """An edge with its own phase and noise."""
    phase = ((0.377 * seed) % 1.0, (0.611 * seed) % 1.0)
    return half_plane(
        cutoff_px=0.0, sigma_px=0.0, tilt_deg=tilt, spread=spread_of(transfer, tilt), phase=phase, seed=seed, **scene
    )  # type: ignore[arg-type]


def measure(scene: Scene, reach: float = 40.0, **known: float) -> EdgeMeasurement:
    x0, y0, x1, y1 = scene.ends
    candidate = candidate_from_line(x0 + 0.4, y0, x1 - 0.3, y1, scene.normal, reach)
    return measure_edge(scene.signal, scene.mask, scene.saturated, candidate, **known)


def curve_error(edge: EdgeMeasurement, transfer: Transfer, tilt: float) -> float:
    truth = np.abs(with_pixel(transfer, tilt)(np.maximum(NU, 1e-9)))
    return float(np.abs(np.interp(NU, edge.frequency_cy_per_px, edge.mtf) - truth).max())


def bilinear(scene: Scene) -> Scene:
    """The same frame developed: green at every pixel, the missing ones as the mean of their neighbours."""
    padded = np.pad(scene.signal, 1, mode="reflect")
    cross = padded[:-2, 1:-1] + padded[2:, 1:-1] + padded[1:-1, :-2] + padded[1:-1, 2:]
    filled = np.where(scene.mask, scene.signal, cross / 4.0).astype(np.float32)
    return Scene(filled, np.ones_like(scene.mask), scene.saturated, scene.ends, scene.normal)


def group_error(cutoff: float, tilt: float, seed: int, *, developed: bool = False) -> float:
    """Relative error of the mean of one orientation of a square: two edges in two frames each."""
    found = []
    for k in range(4):
        scene = make(lens(cutoff), tilt, 10 * seed + k, snr=60.0, length=170.0)
        found.append(measure(bilinear(scene) if developed else scene).mtf50_cy_per_px)
    return abs(float(np.mean(found)) / mtf50_of(lens(cutoff), tilt) - 1.0)


@pytest.mark.statistical
def test_groups_of_two_frames_are_right_from_wide_open_to_closed() -> None:
    cutoffs = list(PIXEL_AND_LENS)
    errors = [group_error(cutoffs[k % 6], (2.0, 5.0, 8.2, 12.0)[k % 4], k) for k in range(24)]
    assert np.median(errors) < 0.005
    assert max(errors) < 0.015


def test_developed_frames_fail_the_same_check() -> None:
    cutoffs = list(PIXEL_AND_LENS)
    errors = [group_error(cutoffs[k], (2.0, 5.0, 8.2, 12.0)[k % 4], k, developed=True) for k in range(4)]
    assert min(errors) > 0.015
    assert np.median(errors) > 0.05


SHAPES = {
    "defocus": pupil(0.39, w20=1.0),
    "much defocus": pupil(0.39, w20=2.5),
    "spherical": pupil(0.3, w20=-1.5, w40=1.5),
    "spherical, off focus": pupil(0.3, w20=-0.6, w40=1.5),
    "coma": pupil(0.3, w31=1.5),
    "coma and defocus": pupil(0.3, w20=0.8, w31=1.0),
    "one-sided flare": product(ideal(0.78), normal(0.35), skewed(0.25, 1.2, 1.2)),
    "halo": product(ideal(0.5), normal(0.4), skewed(0.3, 3.0, 0.0)),
    "disc of 12 px": product(ideal(0.3), normal(0.35), disc(6.0)),
    "sharpened": product(ideal(0.5), normal(0.6), sharpened(0.6, 1.5)),
}


@pytest.mark.parametrize("name", SHAPES)
def test_shapes_of_real_lenses(name: str) -> None:
    found = [measure(make(SHAPES[name], 5.0, seed, snr=300.0, length=250.0)) for seed in range(3)]
    expected = mtf50_of(SHAPES[name], 5.0)
    for edge in found:
        assert edge.flags == ()
        assert edge.mtf50_cy_per_px == pytest.approx(expected, abs=max(4.0 * edge.mtf50_stderr, 0.003 * expected))
        assert edge.mtf50_stderr < 0.01 * expected
        assert curve_error(edge, SHAPES[name], 5.0) < 0.02


@pytest.mark.parametrize("width", [0.5, 1.0, 3.0, 6.0, 12.0])
def test_blur_from_half_a_pixel_to_twelve(width: float) -> None:
    blurred = product(ideal(0.3), normal(width / 2.563))  # 10 to 90 % of a normal blur: 2.563 sigma
    edge = measure(make(blurred, 5.0, 4, snr=300.0, length=250.0, reach=60.0), reach=55.0)
    assert edge.mtf50_cy_per_px == pytest.approx(mtf50_of(blurred, 5.0), rel=0.005)
    assert curve_error(edge, blurred, 5.0) < 0.01


@pytest.mark.parametrize(
    "scene",
    [{"dark": 150.0}, {"dark": 2100.0}, {"fall_across": -0.006}, {"fall_across": 0.006}, {"fall_along": 0.002},
     {"length": 60.0}, {"length": 400.0}, {"bow": 4.0, "length": 300.0}, {"bow": -9.0, "length": 400.0},
     {"pattern": "six"}, {"pattern": "mono", "horizontal": True}],
    ids=str,
)  # fmt: skip
def test_no_bias_from_contrast_light_length_bow_and_pattern(scene: dict[str, object]) -> None:
    for cutoff, tilt in ((0.39, 3.0), (2.2, 8.2)):
        edge = measure(make(lens(cutoff), tilt, 3, **{"snr": 2000.0, **scene}))
        expected = mtf50_of(lens(cutoff), tilt)
        assert edge.mtf50_cy_per_px == pytest.approx(expected, rel=0.003)
        assert curve_error(edge, lens(cutoff), tilt) < 0.005


@pytest.mark.statistical
@pytest.mark.parametrize("snr", [20.0, 60.0, 200.0])
def test_no_bias_from_noise_and_honest_errors(snr: float) -> None:
    cutoffs = list(PIXEL_AND_LENS)
    pulls, relative = [], []
    for seed in range(90):
        cutoff, tilt = cutoffs[seed % 6], (2.0, 3.5, 5.0, 8.2, 12.0)[seed % 5]
        edge = measure(make(lens(cutoff), tilt, 1000 + seed, snr=snr, length=200.0), diffraction_px=cutoff)
        expected = mtf50_of(lens(cutoff), tilt)
        pulls.append((edge.mtf50_cy_per_px - expected) / edge.mtf50_stderr)
        relative.append(edge.mtf50_cy_per_px / expected - 1.0)
    # standard deviation of 90 normal pulls: 1 +- 0.075, mean 0 +- 0.105; under three of these
    assert 0.8 < np.std(pulls) < 1.22
    assert abs(np.mean(pulls)) < 0.31
    assert abs(np.mean(relative)) < 3.0 * np.std(relative) / math.sqrt(90) < 0.2 / snr
    assert np.max(np.abs(relative)) < 0.02 * max(1.0, 75.0 / snr)


def supersampled(sigma: float, tilt_deg: float, finely: int = 12) -> tuple[Scene, np.ndarray]:
    """A normal blur's edge without any transform: each pixel is the mean of 144 places of the closed form."""
    rows, columns = 260, 110
    tilt = math.radians(tilt_deg)
    x0, y0 = 54.3, 130.2
    inside = (np.arange(finely) + 0.5) / finely - 0.5
    share = np.zeros((rows, columns))
    y, x = np.mgrid[0:rows, 0:columns].astype(float)
    for dy in inside:
        for dx in inside:
            d = (x + dx - x0) * math.cos(tilt) + (y + dy - y0) * math.sin(tilt)
            share += 0.5 + 0.5 * erf(d / (sigma * math.sqrt(2.0)))
    share /= finely * finely
    turned = 100.0 * math.sin(tilt), 100.0 * math.cos(tilt)
    ends = x0 + turned[0], y0 - turned[1], x0 - turned[0], y0 + turned[1]
    signal = (800.0 + 2400.0 * share).astype(np.float32)
    nothing = np.zeros(signal.shape, dtype=bool)
    return Scene(signal, green(signal.shape, "bayer"), nothing, ends, (math.cos(tilt), math.sin(tilt))), signal


def plain_fourier(scene: Scene, samples: np.ndarray) -> np.ndarray:
    """e-SFR of noise-free samples at every pixel: sixteenth-pixel means, differences, flat window, both corrected."""
    fine = 16
    x0, y0, x1, y1 = scene.ends
    row, column = np.indices(samples.shape)
    length = math.hypot(x1 - x0, y1 - y0)
    u = ((column - x0) * (x1 - x0) + (row - y0) * (y1 - y0)) / length
    v = (column - x0) * scene.normal[0] + (row - y0) * scene.normal[1]
    inside = (u >= 0) & (u <= length) & (np.abs(v) < 30.0)
    index = np.floor((v[inside] + 30.0) * fine).astype(int)
    spread = np.bincount(index, samples[inside]) / np.bincount(index)
    line = np.diff(spread)
    at = (np.arange(line.size) + 1) / fine
    transform = np.abs(np.exp(-2j * np.pi * NU[:, None] * at) @ line) / line.sum()
    return transform / np.sinc(NU / fine) ** 2


@pytest.mark.parametrize(("sigma", "tilt"), [(0.45, 5.0), (0.9, 9.0), (2.5, 4.0)])
def test_plain_fourier_analysis_of_a_supersampled_scene_agrees(sigma: float, tilt: float) -> None:
    scene, signal = supersampled(sigma, tilt)
    edge = measure(scene)
    independent = plain_fourier(scene, signal)
    ours = np.interp(NU, edge.frequency_cy_per_px, edge.mtf)
    assert np.abs(ours - independent).max() < 0.006
    turn = math.radians(tilt)
    closed = np.exp(-2.0 * (math.pi * sigma * NU) ** 2) * np.sinc(NU * math.cos(turn)) * np.sinc(NU * math.sin(turn))
    assert np.abs(ours - closed).max() < 0.003


def test_samples_that_go_together_are_noticed() -> None:
    """Independent contributions count as they are; those alike over a hundredth of the edge do not."""
    rng = np.random.default_rng(1)
    along = rng.uniform(-1.0, 1.0, 4000)
    quiet = [alike(rng.normal(size=along.size), along, spent=0) for _ in range(200)]
    # 24 pieces: the ratio scatters by 0.29, and counts from two of that
    assert np.mean(np.array(quiet) > 1.0) < 0.08
    together = rng.normal(size=100)[((along + 1.0) * 50.0).astype(int)]
    found = alike(0.5 * together + rng.normal(size=along.size), along, spent=0)
    # 40 samples in each of four groups in a piece: 1 + 40 x 0.25 / 1.25
    assert found == pytest.approx(9.0, rel=0.6)


CHART = Path(__file__).resolve().parents[3] / "shared/real/chart-frame/chart_1920x1080_rggb_10bit.raw"


@pytest.mark.skipif(not CHART.exists(), reason="the real chart frame is not beside the project")
def test_both_greens_of_a_real_chart_agree_within_their_errors() -> None:
    """Two independent sets of samples of the same real edges, texture, raggedness and all."""
    signal = np.fromfile(CHART, dtype="<u2").reshape(1080, 1920).astype(np.float32)
    saturated = signal >= 1015
    row, column = np.indices(signal.shape)
    greens = (row % 2 == 0) & (column % 2 == 1), (row % 2 == 1) & (column % 2 == 0)
    pulls, naive = [], []
    for candidate in find_edges(signal, greens[0] | greens[1], saturated).candidates:
        one, two = (measure_edge(signal, mask, saturated, candidate) for mask in greens)
        # under two degrees a green of its own, two pixels apart, sees each distance in one or two places
        if not (one.usable and two.usable) or abs(candidate.angle_deg) < 2.0 or one.snr < 10.0:
            continue
        difference = one.mtf50_cy_per_px - two.mtf50_cy_per_px
        pulls.append(difference / math.hypot(one.mtf50_stderr, two.mtf50_stderr))
        naive.append(difference / math.hypot(independent_stderr(one), independent_stderr(two)))
    assert len(pulls) >= 6
    assert np.sqrt(np.mean(np.square(pulls))) < 1.4
    assert np.sqrt(np.mean(np.square(pulls))) < np.sqrt(np.mean(np.square(naive)))


def independent_stderr(edge: EdgeMeasurement) -> float:
    """The standard error of the same fit if its samples were independent."""
    assert edge.spread is not None
    return fitted_mtf50(edge.spread, *mtf_of(edge.spread, FREQUENCIES_CY_PER_PX))[1]


def test_overshoot_and_undershoot_of_a_sharpened_edge() -> None:
    transfer = SHAPES["sharpened"]
    _, spread = spread_of(transfer, 5.0)
    edge = measure(make(transfer, 5.0, 1, snr=500.0))
    assert edge.overshoot == pytest.approx(spread.max() - 1.0, abs=4.0 * edge.overshoot_stderr)
    assert edge.undershoot == pytest.approx(-spread.min(), abs=4.0 * edge.undershoot_stderr)
    assert 0 < edge.overshoot_stderr < 0.002
    plain = measure(make(lens(0.55), 5.0, 1, snr=500.0))
    assert plain.overshoot < 4.0 * plain.overshoot_stderr + 0.001
    assert plain.undershoot < 4.0 * plain.undershoot_stderr + 0.001


def test_refused_edges_have_no_overshoot() -> None:
    scene = make(lens(0.55), 5.0, 1, snr=500.0)
    scene.saturated[:] = True
    edge = measure(scene)
    assert not edge.usable and math.isnan(edge.overshoot) and math.isnan(edge.undershoot_stderr)
