"""Simulated hands against a real gyroscope log, in shape, and against published figures.

The log (`shared/real/motion-log`) is of one phone in one person's hands, 72 s, axes not named, with deliberate
movement: it says nothing about how much a camera shakes, and what one minute shows of one person is known only as well
as its twelve stretches of 5 s differ. Left out: its first 8 s, in which the axes move two to ten times as much as
later, and the axis that moves most. What is compared has no size in it, and bounds are three standard errors from
drawing the stretches anew (bootstrap), which keeps the correlation between neighbouring windows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from scipy.interpolate import CubicSpline
from scipy.signal import welch

from kitgauge.simulate.camera_motion import Stabiliser
from kitgauge.simulate.hands import Hands, draw_motion, streaks_px

LOG = Path(__file__).parents[2].parent / "shared" / "real" / "motion-log" / "20200109_145447_gyro.txt"
Array = NDArray[np.float64]

TIMES_S = 2.0 ** -np.arange(1.0, 9.0)  # 1/2 to 1/256 s
FIRST_S, LAST_S, STRETCH_S = 8.0, 70.5, 5.0  # a quarter of a second is missing after the last
NODES, WEIGHTS = np.polynomial.legendre.leggauss(32)
NODES, WEIGHTS = (NODES + 1.0) / 2.0, WEIGHTS / 2.0
HANDS = {
    "usual": Hands(),
    "even": Hands(unevenness=0.0),  # equally steady in all frames
    "trembling": Hands(sway_rad_per_s=0.5e-3, shake_rad=0.02e-3, jerk_rad=0.0),
}


@dataclass(frozen=True)
class Windows:
    """Streaks of windows of one length [rad, any scale], their minor share of variance, and where in the log."""

    streak: Array
    minor_share: Array
    stretch: NDArray[np.int64]


def _windows(angles: Array, start_s: Array) -> Windows:
    """Angles (window, axis, node) by quadrature: second moments, nothing of an estimator."""
    centred = angles - (angles @ WEIGHTS)[..., None]
    moments = np.einsum("ein,ejn,n->eij", centred, centred, WEIGHTS)
    total = np.trace(moments, axis1=1, axis2=2)
    minor = np.linalg.eigvalsh(moments)[:, 0]
    return Windows(np.sqrt(12.0 * total), minor / total, (start_s // STRETCH_S).astype(np.int64))


@cache
def _log() -> tuple[Array, Array]:
    """Times [s] and rates (time, axis), the two quieter axes scaled to equal rates."""
    if not LOG.exists():
        pytest.skip(f"{LOG} is not there")
    rows = np.loadtxt(LOG, delimiter=",")
    time = rows[:, 3] - rows[0, 3]
    used = (time > FIRST_S) & (time < LAST_S)
    rates = rows[used, :3]
    quiet = np.delete(rates, np.argmax(rates.std(axis=0)), axis=1)
    return time[used], quiet


@cache
def of_log() -> dict[float, Windows]:
    time, rates = _log()
    angle = CubicSpline(time, rates).antiderivative()
    found = {}
    for exposure_s in TIMES_S:
        start = np.arange(FIRST_S + 0.1, LAST_S - 0.1 - exposure_s, max(exposure_s, 1 / 32))
        found[exposure_s] = _windows(angle(start[:, None] + NODES * exposure_s).transpose(0, 2, 1), start - FIRST_S)
    return found


@cache
def of_hands(name: str) -> dict[float, Windows]:
    motion = draw_motion(HANDS[name], 3000, np.random.default_rng(2))
    return {t: _windows(motion.angles_rad(NODES * t), np.zeros(3000)) for t in TIMES_S}


def growth(found: dict[float, Windows]) -> float:
    """Slope of the median streak against exposure time, both logarithmic, 1/256 to 1/2 s."""
    medians = [np.median(found[t].streak) for t in TIMES_S]
    return float(np.polyfit(np.log(TIMES_S), np.log(medians), 1)[0])


def weibull_shape(found: dict[float, Windows], exposure_s: float) -> float:
    return float(stats.weibull_min.fit(found[exposure_s].streak, floc=0)[0])


def crookedness(found: dict[float, Windows], exposure_s: float) -> float:
    """Mean share of the variance across the path's main direction: 0 for a straight path, 1/2 for a circle."""
    return float(found[exposure_s].minor_share.mean())


def standard_error(statistic) -> float:
    """Bootstrap over stretches of the log."""
    rng, own = np.random.default_rng(7), of_log()
    count = 1 + max(int(w.stretch.max()) for w in own.values())
    places = {t: [np.flatnonzero(w.stretch == n) for n in range(count)] for t, w in own.items()}
    drawn = []
    for _ in range(25):
        chosen = rng.integers(0, count, count)
        again = {}
        for t, w in own.items():
            rows = np.concatenate([places[t][n] for n in chosen])
            again[t] = Windows(w.streak[rows], w.minor_share[rows], w.stretch[rows])
        drawn.append(statistic(again))
    return float(np.std(drawn))


@pytest.mark.statistical
def test_streaks_grow_with_exposure_time_as_in_the_log() -> None:
    bound = 3.0 * standard_error(growth)
    assert bound < 0.1
    assert abs(growth(of_hands("usual")) - growth(of_log())) < bound
    assert abs(growth(of_hands("trembling")) - growth(of_log())) > bound  # hands that only tremble do not grow so


@pytest.mark.statistical
@pytest.mark.parametrize("exposure_s", [1 / 64, 1 / 8])
def test_relative_streaks_are_distributed_as_in_the_log(exposure_s: float) -> None:
    """Weibull shape: 2 is Rayleigh, the speed of a drift that is equally strong in all windows. Over a minute nobody is
    equally steady, and the shape is below 2; within 5 s it is 2."""

    def shape(found: dict[float, Windows]) -> float:
        return weibull_shape(found, exposure_s)

    own, bound = shape(of_log()), 3.0 * standard_error(shape)
    assert bound < 0.5
    assert abs(shape(of_hands("usual")) - own) < bound
    # nearer than hands that are equally steady all the time
    assert abs(shape(of_hands("usual")) - own) < 0.5 * abs(shape(of_hands("even")) - own)
    log = of_log()[exposure_s]
    level = np.array([math.sqrt(np.mean(log.streak[log.stretch == n] ** 2)) for n in range(int(log.stretch.max()) + 1)])
    within = stats.weibull_min.fit(log.streak / level[log.stretch], floc=0)[0]
    assert abs(shape(of_hands("even")) - within) < bound
    # how much the stretches differ: standard deviation of a logarithm from n of them is known to 1 / sqrt(2 n)
    spread = float(np.log(level).std(ddof=1))
    assert abs(Hands().unevenness - spread) < 3.0 * spread / math.sqrt(2.0 * level.size)


@pytest.mark.statistical
@pytest.mark.parametrize("exposure_s", [1 / 2, 1 / 4, 1 / 8, 1 / 16])
def test_paths_are_as_straight_as_in_the_log(exposure_s: float) -> None:
    """Shorter than that, the log's own noise and rounding show in the share across."""

    def share(found: dict[float, Windows]) -> float:
        return crookedness(found, exposure_s)

    bound = 3.0 * standard_error(share)
    assert abs(share(of_hands("usual")) - share(of_log())) < bound
    assert abs(share(of_hands("trembling")) - share(of_log())) > bound


def band_shares(rate: Array, sampling_hz: float) -> Array:
    """Share of the power of rates (..., time) between 0.25 and 12 Hz: below 1 Hz, 1 to 6, 6 to 12."""
    frequency, power = welch(rate, sampling_hz, nperseg=int(8 * sampling_hz))
    power = power.reshape(-1, power.shape[-1]).mean(axis=0)
    bands = [power[(frequency >= low) & (frequency < high)].sum() for low, high in ((0.25, 1), (1, 6), (6, 12))]
    return np.array(bands) / sum(bands)


@pytest.mark.statistical
def test_power_is_shared_among_frequencies_as_on_the_axes_of_the_log() -> None:
    """The two axes of the log differ by up to five times in a band (one person, one minute), so the claim is modest:
    the simulation lies between them, or within a half more or less of the nearer one."""
    time, rates = _log()
    sampling_hz = 1.0 / float(np.median(np.diff(time)))
    real = np.array([band_shares(axis, sampling_hz) for axis in rates.T])
    clock = np.arange(4000) / 100.0
    angles = draw_motion(replace(Hands(), jerk_rad=0.0), 150, np.random.default_rng(1)).angles_rad(clock)
    shares = band_shares(np.diff(angles, axis=2) * 100.0, 100.0)
    assert np.all(shares > real.min(axis=0) / 1.5)
    assert np.all(shares < real.max(axis=0) * 1.5)
    falls = [fall(axis, sampling_hz) for axis in rates.T]
    assert min(falls) < fall(np.diff(angles, axis=2) * 100.0, 100.0) < max(falls)


def fall(rate: Array, sampling_hz: float) -> float:
    """Slope of the density of rates (..., time) from 1 to 12 Hz, both logarithmic."""
    frequency, power = welch(rate, sampling_hz, nperseg=int(8 * sampling_hz))
    power = power.reshape(-1, power.shape[-1]).mean(axis=0)
    used = (frequency >= 1.0) & (frequency <= 12.0)
    return float(np.polyfit(np.log(frequency[used]), np.log(power[used]), 1)[0])


def test_neither_axis_leads() -> None:
    """The log's quiet axes differ by 1.3 to 1.8 times; which is which is not stated, so simulated hands sway alike on
    both, within that ratio."""
    _, rates = _log()
    spread = rates.std(axis=0)
    ratio = float(max(spread) / min(spread))
    angles = draw_motion(Hands(), 2000, np.random.default_rng(3)).angles_rad(NODES / 30.0)
    own = np.sqrt((np.diff(angles, axis=2) ** 2).mean(axis=(0, 2)))
    assert 1.0 <= max(own) / min(own) < ratio
    assert ratio < 2.5


def peak_hz(hands: Hands, seconds: float = 8.0) -> float:
    """Frequency at which the displacement has most power, of many exposures from the press of the button on."""
    clock = np.arange(int(seconds * 100)) / 100.0
    angles = draw_motion(hands, 400, np.random.default_rng(4)).angles_rad(clock)
    power = (np.abs(np.fft.rfft(angles, axis=2)) ** 2).mean(axis=(0, 1))
    frequency = np.fft.rfftfreq(clock.size, 0.01)
    smooth = np.convolve(power, np.ones(5) / 5.0, mode="same")
    smooth[frequency < 0.5] = 0.0
    return float(frequency[np.argmax(smooth)])


@pytest.mark.statistical
def test_frequencies_are_those_published() -> None:
    """Holding a camera: near 4 Hz; pressing the button: near 2 Hz (jstage jje1965 31/6 399). Physiological tremor: 6 to
    12 Hz (doi:10.1113/JP270464), most often near 7 Hz (97 people, doi:10.1001/archneur.1982.00510180036009). "Near" is
    taken as half a hertz."""
    nothing = Hands(sway_rad_per_s=0.0, shake_rad=0.0, tremor_rad=0.0, jerk_rad=0.0)
    assert peak_hz(replace(nothing, shake_rad=1e-3)) == pytest.approx(4.0, abs=0.5)
    assert peak_hz(replace(nothing, tremor_rad=1e-3)) == pytest.approx(7.0, abs=0.5)
    assert peak_hz(replace(nothing, jerk_rad=1e-3)) == pytest.approx(2.0, abs=0.5)
    motion = draw_motion(replace(nothing, tremor_rad=1e-3), 3000, np.random.default_rng(5))
    trembling = motion.sines.amplitude_rad > 0
    assert motion.sines.frequency_hz[trembling].min() >= 6.0
    assert motion.sines.frequency_hz[trembling].max() <= 12.0


@pytest.mark.statistical
def test_of_the_usual_speeds_the_fastest_is_best_and_the_slowest_worst() -> None:
    """32 people with 35 mm cameras, 1/60 to 1/8 s: 1/60 significantly best, 1/8 worst
    (vtechworks.lib.vt.edu/items/6a676f7b-1097-4a03-9dc1-c00cbac1e22a). 50 mm and five frames are our assumption."""
    rng = np.random.default_rng(6)
    people = np.exp(0.35 * rng.standard_normal(32))
    marked = (1 / 60, 1 / 30, 1 / 15, 1 / 8)
    means = np.array(
        [[scale * streaks_px(draw_motion(Hands(), 5, rng), t, 50.0, 1.0).mean() for t in marked] for scale in people]
    )
    for slower in (1, 2, 3):
        assert stats.wilcoxon(means[:, 0], means[:, slower], alternative="less").pvalue < 0.01
    assert np.all(means.mean(axis=0)[3] > means.mean(axis=0)[:3])


@pytest.mark.statistical
def test_blur_grows_linearly_with_shutter_time() -> None:
    """207 handheld measurements: sharpness falls linearly with shutter time (core.ac.uk/works/7961107). Over the speeds
    people hold at, a straight line through the mean streaks leaves under 5 % of them unexplained."""
    times = np.array([1 / 125, 1 / 60, 1 / 30, 1 / 15, 1 / 8])
    motion = draw_motion(Hands(), 4000, np.random.default_rng(8))
    means = np.array([streaks_px(motion, t, 50.0, 1.0).mean() for t in times])
    line = np.polyval(np.polyfit(times, means, 1), times)
    assert np.abs(means - line).max() < 0.05 * means.max()


def test_a_stabiliser_leaves_roll_alone() -> None:
    """ISO 20954-1 measures pitch and yaw only; how many stops real stabilisers gain is not among the published figures,
    so that their size here is a free choice."""
    hands = Hands(roll_share=1.0, unevenness=0.0)
    time = NODES / 15.0
    rolls, turns = [], []
    for stabiliser in (None, Stabiliser()):
        motion = draw_motion(hands, 4000, np.random.default_rng(9), stabiliser=stabiliser)
        rolls.append(float(motion.roll_rad(time).std(axis=1).mean()))
        turns.append(float(motion.angles_rad(time).std(axis=2).mean()))
    assert rolls[1] == pytest.approx(rolls[0], rel=0.05)
    assert turns[1] < 0.4 * turns[0]
