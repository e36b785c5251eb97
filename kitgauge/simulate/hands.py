"""Simulated hands: how the picture moves during an exposure, and the true streak that follows.

Four parts, smooth in time, so that a path can be evaluated anywhere; the first three are sums of sines of
random phase:

- sway, 0.1 to 1.5 Hz: the dominant, nearly straight drift of a short exposure (a gyroscope log of a handheld
  camera has a spectrum that falls from the lowest frequencies);
- the shake of holding a camera, near 4 Hz (jstage jje1965 31/6 399);
- physiological tremor, 6 to 12 Hz (doi:10.1113/JP270464), most often near 7 Hz (97 people,
  doi:10.1001/archneur.1982.00510180036009);
- the jerk of pressing the button: a damped swing near 2 Hz (the same work), mostly up and down (own choice).

Sizes are this simulation's own choice. The true streak comes from the path's second moments by quadrature,
never from an estimator.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import lru_cache
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from kitgauge.simulate.chart import SampledPath

_PARTS = 3  # sines per kind of motion
_SWAY_HZ = (0.1, 1.5)
_SHAKE_HZ = (2.0, 4.0, 6.0)  # lowest, most frequent, highest
_TREMOR_HZ = (6.0, 7.0, 12.0)
_JERK_HZ = (1.5, 3.0)
_PATHS_AT_ONCE = 2000


@dataclass(frozen=True)
class Hands:
    """One person. Standard deviations per axis of: sway rate, displacement by shake and tremor, size of the
    button jerk.

    `technique` scales all of it by the way of holding; 1 is standing freely.
    """

    sway_rad_per_s: float = 13e-3
    shake_rad: float = 0.20e-3
    tremor_rad: float = 0.05e-3
    jerk_rad: float = 0.45e-3
    jerk_decay_s: float = 0.12
    technique: MappingProxyType[str, float] = field(
        default_factory=lambda: MappingProxyType({"standing": 1.0, "seated": 0.7, "braced": 0.45})
    )

    def scaled(self, technique: str) -> Hands:
        """Return these hands in the named technique; KeyError if it is not one of theirs."""
        factor = self.technique[technique]
        return replace(
            self,
            sway_rad_per_s=self.sway_rad_per_s * factor,
            shake_rad=self.shake_rad * factor,
            tremor_rad=self.tremor_rad * factor,
            jerk_rad=self.jerk_rad * factor,
            technique=MappingProxyType({name: value / factor for name, value in self.technique.items()}),
        )


@dataclass(frozen=True)
class Motion:
    """Drawn motions of n exposures. Sines are (exposure, axis, part), axis 0 = x (yaw), 1 = y (pitch)."""

    amplitude_rad: NDArray[np.float64]
    frequency_hz: NDArray[np.float64]
    phase_rad: NDArray[np.float64]
    jerk_rad: NDArray[np.float64]  # (exposure, axis)
    jerk_hz: NDArray[np.float64]  # (exposure,)
    jerk_start_s: NDArray[np.float64]  # (exposure,), before the exposure starts: <= 0
    jerk_decay_s: float

    def angles_rad(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return positions [rad], (exposure, axis, time)."""
        angle = 2.0 * np.pi * self.frequency_hz[..., None] * time_s + self.phase_rad[..., None]
        swing = np.einsum("eap,eapt->eat", self.amplitude_rad, np.sin(angle))
        since = time_s[None, :] - self.jerk_start_s[:, None]
        jerk = np.exp(-since / self.jerk_decay_s) * np.sin(2.0 * np.pi * self.jerk_hz[:, None] * since)
        return np.asarray(swing + self.jerk_rad[:, :, None] * jerk[:, None, :])

    def part(self, first: int, last: int) -> Motion:
        """Return exposures first..last-1."""
        return Motion(
            self.amplitude_rad[first:last],
            self.frequency_hz[first:last],
            self.phase_rad[first:last],
            self.jerk_rad[first:last],
            self.jerk_hz[first:last],
            self.jerk_start_s[first:last],
            self.jerk_decay_s,
        )


def draw_motion(hands: Hands, exposures: int, rng: np.random.Generator) -> Motion:
    """Return the motions of `exposures` independent exposures."""
    shape = (exposures, 2, _PARTS)
    sway_hz = np.exp(rng.uniform(math.log(_SWAY_HZ[0]), math.log(_SWAY_HZ[1]), shape))
    shake_hz, tremor_hz = rng.triangular(*_SHAKE_HZ, shape), rng.triangular(*_TREMOR_HZ, shape)
    frequency = np.concatenate([sway_hz, shake_hz, tremor_hz], axis=2)
    # A sine whose amplitude is Rayleigh of parameter s has the variance s^2 over phases and amplitudes.
    share = 1.0 / math.sqrt(_PARTS)
    sway = rng.rayleigh(hands.sway_rad_per_s * share, shape) / (2.0 * np.pi * sway_hz)
    shake = rng.rayleigh(hands.shake_rad * share, shape)
    tremor = rng.rayleigh(hands.tremor_rad * share, shape)
    jerk = rng.normal(0.0, hands.jerk_rad, (exposures, 2)) * np.array([0.4, 1.0])
    return Motion(
        amplitude_rad=np.concatenate([sway, shake, tremor], axis=2),
        frequency_hz=frequency,
        phase_rad=rng.uniform(0.0, 2.0 * np.pi, frequency.shape),
        jerk_rad=jerk,
        jerk_hz=rng.uniform(*_JERK_HZ, exposures),
        jerk_start_s=-rng.uniform(0.02, 0.12, exposures),
        jerk_decay_s=hands.jerk_decay_s,
    )


@lru_cache(maxsize=32)
def _gauss_nodes(count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return Gauss-Legendre nodes and weights on 0..1."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return (nodes + 1.0) / 2.0, weights / 2.0


def _node_count(exposure_s: float, travel_px: float) -> int:
    """Return enough nodes for the fastest tremor and, in frequency space, for the travelled pixels.

    Gauss-Legendre converges once there are more than pi/2 nodes per period (Trefethen, SIAM Review 50, 2008,
    from memory); the integrand exp(-2 pi i f p) has `travel_px` periods at 1 cycle/pixel and up to twice that
    at the highest frequency used.
    """
    needed = 16 + 4.0 * _TREMOR_HZ[2] * exposure_s + 4.0 * travel_px
    return 1 << math.ceil(math.log2(needed))


def uniform_path(length_px: float, direction_deg: float) -> SampledPath:
    """Return straight uniform motion of `length_px`, centred, along `direction_deg` (0 = along the rows)."""
    nodes, weight = _gauss_nodes(_node_count(0.0, length_px))
    along = (nodes - 0.5) * length_px
    angle = math.radians(direction_deg)
    return SampledPath(along * math.cos(angle), along * math.sin(angle), weight)


def pixels_per_radian(focal_mm: float, pitch_um: float) -> float:
    """Return how many pixels the picture moves per radian of rotation, for a far target."""
    return focal_mm * 1e3 / pitch_um


def sample_motion(motion: Motion, exposure_s: float, focal_mm: float, pitch_um: float) -> SampledPath:
    """Return the first exposure of `motion` as a path in pixels about its mean position."""
    scale = pixels_per_radian(focal_mm, pitch_um)
    coarse = motion.angles_rad(np.linspace(0.0, exposure_s, 65))[0] * scale
    travel = float(np.hypot(*np.diff(coarse, axis=1)).sum())
    time, weight = _gauss_nodes(_node_count(exposure_s, travel))
    x, y = motion.angles_rad(time * exposure_s)[0] * scale
    return SampledPath(x - float(weight @ x), y - float(weight @ y), weight)


@dataclass(frozen=True)
class TrueStreak:
    """The streak of one path: L = sqrt(12) * sigma per axis, the whole by hypot, direction of the longest
    axis.

    `direction_deg` runs from 0 (along the rows) through 90 (along the columns, downward) to 180.
    """

    x_px: float
    y_px: float
    streak_px: float
    direction_deg: float


def streak_of(path: SampledPath) -> TrueStreak:
    """Return the true streak of a path from its second moments."""
    x = path.x_px - float(path.weight @ path.x_px)
    y = path.y_px - float(path.weight @ path.y_px)
    xx, yy, xy = (float(path.weight @ product) for product in (x * x, y * y, x * y))
    return TrueStreak(
        x_px=math.sqrt(12.0 * xx),
        y_px=math.sqrt(12.0 * yy),
        streak_px=math.sqrt(12.0 * (xx + yy)),
        direction_deg=math.degrees(0.5 * math.atan2(2.0 * xy, xx - yy)) % 180.0,
    )


def streaks_px(motion: Motion, exposure_s: float, focal_mm: float, pitch_um: float) -> NDArray[np.float64]:
    """Return the true streak [px] of every exposure of `motion`, (exposure,)."""
    time, weight = _gauss_nodes(_node_count(exposure_s, 0.0))
    scale = pixels_per_radian(focal_mm, pitch_um)
    total = np.empty(motion.jerk_hz.size)
    for first in range(0, total.size, _PATHS_AT_ONCE):
        angles = motion.part(first, first + _PATHS_AT_ONCE).angles_rad(time * exposure_s)
        centred = angles - (angles @ weight)[..., None]
        total[first : first + _PATHS_AT_ONCE] = np.sqrt(12.0 * ((centred**2) @ weight).sum(axis=1)) * scale
    return total


def true_shutter_limit_s(
    hands: Hands,
    streak_limit_px: float,
    keep: float,
    focal_mm: float,
    pitch_um: float,
    *,
    paths: int = 20_000,
    seed: int = 77,
) -> float:
    """Return the shutter time [s] at which a share `keep` of exposures is at or under `streak_limit_px`.

    Monte Carlo over `paths` motions, the same ones at every time, and the secant method in log time; the
    standard error is about sqrt(keep (1 - keep) / paths) over the density at the quantile: 0.4 % with the
    defaults.
    """
    motion = draw_motion(hands, paths, np.random.default_rng(seed))

    def excess(log_time: float) -> float:
        streaks = streaks_px(motion, math.exp(log_time), focal_mm, pitch_um)
        return math.log(float(np.quantile(streaks, keep)) / streak_limit_px)

    # Streaks grow about in proportion to time, so the first step assumes a slope of one.
    before = math.log(1.0 / 64.0)
    excess_before = excess(before)
    now = before - excess_before
    for _ in range(20):
        if not math.log(1e-5) < now < math.log(60.0):
            raise ValueError("these hands reach the streak limit at no shutter time from 1e-5 s to 60 s")
        excess_now = excess(now)
        if abs(excess_now) < 1e-4:
            return math.exp(now)
        slope = (excess_now - excess_before) / (now - before)
        before, excess_before = now, excess_now
        now -= excess_now / max(slope, 0.2)
    raise ValueError("the search for the true shutter limit did not converge")
