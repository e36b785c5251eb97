"""Extra blur of one edge, at array level, against exact edge spreads of known motion."""

from __future__ import annotations

import math

import numpy as np
import pytest
from moving_squares import KINDS, motion_path
from scipy.special import ndtr

from kitgauge.measure.blur.edge_blur import edge_blur, uniform_blur
from kitgauge.measure.blur.still_edge import StillEdge, still_edge

HALF_PX = 60.0
POSITION = np.arange(-HALF_PX, HALF_PX + 0.01, 0.25)
DARK, CONTRAST = 100.0, 2000.0
# 0.25 px bins of a 150 px edge hold 19 green samples; contrast is twice the middle level
NOISE_60 = 0.5 * CONTRAST / 60.0 / math.sqrt(19.0)


def spread(offsets: np.ndarray, shift: float = 0.0, sigma: float = 0.75) -> np.ndarray:
    """Mean of Gaussian edges over the positions of a path: the exact edge spread of that motion, in DN."""
    counts, edges = np.histogram(offsets, bins=600)
    middles = 0.5 * (edges[1:] + edges[:-1])
    steps = ndtr((POSITION[:, None] - shift - middles) / sigma)
    return DARK + CONTRAST * (steps @ counts) / counts.sum()


def moved(kind: str, streak: float) -> tuple[np.ndarray, float]:
    path = motion_path(kind, streak, 0.0)[0]
    path = path - path.mean()
    return path, float(np.var(path))


def still(noise: float = 0.0, seed: int = 0) -> StillEdge:
    esf = spread(np.zeros(3)) + noise * np.random.default_rng(seed).standard_normal(POSITION.size)
    edge = still_edge(POSITION, esf, np.full(POSITION.size, max(noise, 1e-3)))
    assert edge is not None
    return edge


@pytest.mark.parametrize("kind", [*KINDS])
@pytest.mark.parametrize("streak", [0.7, 2.0, 7.0, 20.0, 40.0])
def test_variance_of_any_kernel_without_noise(kind: str, streak: float) -> None:
    """The second moment of the path itself is the truth, whatever its shape."""
    path, truth = moved(kind, streak)
    found = edge_blur(still(), POSITION, spread(path, 0.3), np.full(POSITION.size, 0.05))
    if kind == "jerk" and streak == 40.0:
        # one fifth of the exposure lies up to 46 px from the rest: the window of 60 px just does not hold it
        assert found.reach == "beyond"
        assert found.bound_px2 <= truth
        return
    assert found.reach == "ok"
    total = found.variance_px2 + found.shape_px2
    assert math.sqrt(12.0 * total) == pytest.approx(math.sqrt(12.0 * truth), abs=0.02, rel=0.004)


def test_no_motion_scatters_around_zero_without_clamping() -> None:
    rng = np.random.default_rng(4)
    values = []
    for seed in range(40):
        noisy = spread(np.zeros(3)) + NOISE_60 * rng.standard_normal(POSITION.size)
        found = edge_blur(still(NOISE_60, seed), POSITION, noisy, np.full(POSITION.size, NOISE_60))
        values.append(found.variance_px2 / found.variance_stderr_px2)
    assert min(values) < -0.5
    assert max(values) > 0.5
    assert abs(float(np.mean(values))) < 0.5
    assert 0.7 < float(np.std(values)) < 1.3


@pytest.mark.statistical
@pytest.mark.parametrize(("kind", "streak"), [("drift", 0.9), ("drift", 5.0), ("sine", 12.0), ("drift", 30.0)])
def test_error_over_stderr_scatters_near_one(kind: str, streak: float) -> None:
    path, truth = moved(kind, streak)
    clean = spread(path)
    rng = np.random.default_rng(11)
    scores = []
    for seed in range(80):
        noisy = clean + NOISE_60 * rng.standard_normal(POSITION.size)
        edge = still(NOISE_60 / math.sqrt(3.0), 1000 + seed)
        found = edge_blur(edge, POSITION, noisy, np.full(POSITION.size, NOISE_60))
        scores.append((found.variance_px2 + found.shape_px2 - truth) / found.shape_stderr_px2)
    # 80 draws: standard error of a standard deviation 0.08
    assert 0.6 < float(np.std(scores)) < 1.25
    assert abs(float(np.mean(scores))) < 0.5


def test_light_and_offset_do_not_matter() -> None:
    path, _ = moved("curve", 6.0)
    esf = spread(path)
    error = np.full(POSITION.size, 0.5)
    one = edge_blur(still(), POSITION, esf, error)
    brighter = edge_blur(still(), POSITION + 2.0, 3.0 * esf, 3.0 * error)
    assert brighter.variance_px2 == pytest.approx(one.variance_px2, rel=1e-3)
    assert brighter.shape_px2 == pytest.approx(one.shape_px2, rel=1e-2, abs=1e-3)


@pytest.mark.parametrize("factor", [2.2, 3.0, 5.0, 9.0])
@pytest.mark.parametrize("kind", ["drift", "sine", "curve"])
def test_too_long_for_the_window_is_never_a_number(kind: str, factor: float) -> None:
    """The bound of a censored edge must be one that the motion really exceeds."""
    path, truth = moved(kind, factor * HALF_PX)
    for shift in (0.0, 0.3 * factor * HALF_PX):
        rng = np.random.default_rng(1)
        noisy = spread(path, shift) + NOISE_60 * rng.standard_normal(POSITION.size)
        found = edge_blur(still(), POSITION, noisy, np.full(POSITION.size, NOISE_60))
        assert found.reach == "beyond"
        assert 0.0 < found.bound_px2 <= truth


@pytest.mark.parametrize("factor", [1.5, 3.0, 6.0])
def test_a_jump_out_of_the_window_shows_on_one_of_two_opposite_edges(factor: float) -> None:
    """A fifth of the exposure spread far away leaves a sharp step and a veil; one side of a square shows the
    veil."""
    path, truth = moved("jerk", factor * HALF_PX)
    rng = np.random.default_rng(1)
    dwell = float(np.median(path))
    found = []
    for sign in (1.0, -1.0):
        esf = spread(sign * (path - dwell)) + NOISE_60 * rng.standard_normal(POSITION.size)
        found.append(edge_blur(still(), POSITION, esf, np.full(POSITION.size, NOISE_60)))
    beyond = [edge for edge in found if edge.reach == "beyond"]
    assert beyond
    assert all(edge.bound_px2 <= truth for edge in beyond)


def test_uniform_blur_against_the_closed_form() -> None:
    """A Gaussian edge under uniform motion of width w: [G(x + w/2) - G(x - w/2)] / w, G(z) = z Phi + phi."""
    width, sigma = 3.0, 0.75

    def primitive(z: np.ndarray) -> np.ndarray:
        return z * ndtr(z / sigma) + sigma * np.exp(-0.5 * (z / sigma) ** 2) / math.sqrt(2.0 * math.pi)

    x = np.linspace(-8.0, 8.0, 201)
    exact = (primitive(x + width / 2) - primitive(x - width / 2)) / width
    blurred, slope, per_variance = uniform_blur(still(), x, width**2 / 12.0)
    np.testing.assert_allclose(blurred, exact, atol=5e-4)
    np.testing.assert_allclose(slope, np.gradient(exact, x), atol=4e-3)
    wider, _, _ = uniform_blur(still(), x, width**2 / 12.0 + 1e-3)
    np.testing.assert_allclose(per_variance, (wider - blurred) / 1e-3, atol=2e-3)


def _mtf(esf: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    spread_function = np.gradient(esf, POSITION)
    mtf = np.abs(np.fft.rfft(spread_function))
    return np.fft.rfftfreq(POSITION.size, 0.25), mtf / mtf[0]


def _mtf50(esf: np.ndarray) -> float:
    frequency, mtf = _mtf(esf)
    first = int(np.argmax(mtf < 0.5))
    part = (mtf[first - 1] - 0.5) / (mtf[first - 1] - mtf[first])
    return float(frequency[first - 1] + part * (frequency[first] - frequency[first - 1]))


@pytest.mark.parametrize(("kind", "wrong_by"), [("drift", 0.05), ("sine", 0.07), ("jerk", 0.20)])
def test_naive_mtf50_reads_a_wrong_streak(kind: str, wrong_by: float) -> None:
    """sigma from MTF50 as if the blur were Gaussian, on the very edge on which the moments are right."""
    path, truth = moved(kind, 8.0)
    esf = spread(path)
    still_esf = spread(np.zeros(3))
    # a Gaussian's MTF is exp(-2 pi^2 sigma^2 nu^2), so sigma = sqrt(ln 2 / 2) / (pi nu50)
    sigma2 = [math.log(2.0) / 2.0 / (math.pi * _mtf50(e)) ** 2 for e in (esf, still_esf)]
    naive = math.sqrt(12.0 * max(sigma2[0] - sigma2[1], 0.0))
    true_streak = math.sqrt(12.0 * truth)
    found = edge_blur(still(), POSITION, esf, np.full(POSITION.size, 0.05))
    ours = math.sqrt(12.0 * (found.variance_px2 + found.shape_px2))
    assert abs(ours / true_streak - 1.0) < 0.005
    assert abs(naive / true_streak - 1.0) > wrong_by


def test_naive_single_frequency_reads_a_wrong_streak() -> None:
    """sigma^2 = -ln(ratio of MTF at one frequency) / (2 pi^2 nu^2) at 0.1 cycles/pixel, 8 px of drift and of
    sine."""
    for kind in ("drift", "sine"):
        path, truth = moved(kind, 8.0)
        frequency, mtf = _mtf(spread(path))
        _, mtf_still = _mtf(spread(np.zeros(3)))
        at = int(np.argmin(np.abs(frequency - 0.1)))
        naive = math.sqrt(12.0 * -math.log(mtf[at] / mtf_still[at]) / (2.0 * math.pi**2 * frequency[at] ** 2))
        assert abs(naive / math.sqrt(12.0 * truth) - 1.0) > 0.04


def test_edge_without_plateaus_is_no_reference() -> None:
    ramp = np.linspace(100.0, 200.0, POSITION.size)
    assert still_edge(POSITION, np.full(POSITION.size, 100.0), np.full(POSITION.size, 1.0)) is None
    assert still_edge(POSITION[:10], ramp[:10], np.full(10, 1.0)) is None
