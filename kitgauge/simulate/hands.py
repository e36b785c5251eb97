"""Simulated hands: how the picture moves during an exposure, and the true streak that follows.

Parts, smooth in time, so that a path can be evaluated anywhere; the first three are sums of sines of
random phase:

- sway, 0.1 to 2 Hz: the dominant, nearly straight drift of a short exposure (a gyroscope log of a handheld
  camera has a spectrum that falls from the lowest frequencies);
- the shake of holding a camera, near 4 Hz (jstage jje1965 31/6 399);
- physiological tremor, 6 to 12 Hz (doi:10.1113/JP270464), most often near 7 Hz (97 people,
  doi:10.1001/archneur.1982.00510180036009);
- the jerk of pressing the button: a damped swing near 2 Hz (the same work), mostly up and down (own choice).

All of them change in size from one exposure to the next, since nobody is equally steady all the time. Roll, about the
lens axis, is made of the same parts. What the camera adds or takes away (a knock of its shutter, a stabiliser) is in
`camera_motion`. Absolute sizes are this simulation's own choice; their proportions agree with a gyroscope log of a
handheld device in how power falls from 1 to 12 Hz, in how streaks grow with exposure time, in how straight paths are,
and in the shape of the distribution of streaks (a test compares them). The true streak comes from the path's second
moments by quadrature, never from an estimator.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import lru_cache
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from kitgauge.simulate.camera_motion import STABILISER_NOISE_HZ, ShutterKnock, Stabiliser
from kitgauge.simulate.chart_series import SampledPath

_PARTS = 3  # sines per kind of motion
_SWAY_HZ = (0.1, 2.0)
_SHAKE_HZ = (2.0, 4.0, 6.0)  # lowest, most frequent, highest
_TREMOR_HZ = (6.0, 7.0, 12.0)
_JERK_HZ = (1.5, 3.0)
_PATHS_AT_ONCE = 2000


@dataclass(frozen=True)
class Hands:
    """One person. Standard deviations per axis of: sway rate, displacement by shake and tremor, size of the
    button jerk.

    `unevenness` is the standard deviation of the natural logarithm of the size of it all, from exposure to exposure
    (mean square 1); `roll_share` what the camera turns about the lens axis, against the other two axes. `technique`
    scales all of it by the way of holding; 1 is standing freely.
    """

    sway_rad_per_s: float = 13e-3
    shake_rad: float = 0.20e-3
    tremor_rad: float = 0.065e-3
    jerk_rad: float = 0.45e-3
    jerk_decay_s: float = 0.12
    unevenness: float = 0.25
    roll_share: float = 0.0
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
class Sines:
    """Sums of sines, (exposure, axis, part)."""

    amplitude_rad: NDArray[np.float64]
    frequency_hz: NDArray[np.float64]
    phase_rad: NDArray[np.float64]

    def at(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return their sums [rad], (exposure, axis, time)."""
        angle = 2.0 * np.pi * self.frequency_hz[..., None] * time_s + self.phase_rad[..., None]
        return np.asarray(np.einsum("eap,eapt->eat", self.amplitude_rad, np.sin(angle)))

    def part(self, first: int, last: int) -> Sines:
        """Return exposures first..last-1."""
        return Sines(self.amplitude_rad[first:last], self.frequency_hz[first:last], self.phase_rad[first:last])

    def scaled(self, factor: NDArray[np.float64]) -> Sines:
        """Return the sines with other amplitudes; `factor` goes with (exposure, axis, part)."""
        return replace(self, amplitude_rad=self.amplitude_rad * factor)

    def beside(self, other: Sines) -> Sines:
        """Return the sines with the axes of `other` after their own."""
        own, more = vars(self).values(), vars(other).values()
        return Sines(*(np.concatenate(pair, axis=1) for pair in zip(own, more, strict=True)))


@dataclass(frozen=True)
class Motion:
    """Drawn motions of n exposures: axis 0 = x (yaw), 1 = y (pitch), and 2 = roll where there is some."""

    sines: Sines
    jerk_rad: NDArray[np.float64]  # (exposure, axis)
    jerk_hz: NDArray[np.float64]  # (exposure,)
    jerk_start_s: NDArray[np.float64]  # (exposure,), before the exposure starts: <= 0
    jerk_decay_s: float
    noise: Sines | None = None  # of the stabiliser, yaw and pitch
    knock: ShutterKnock | None = None

    @property
    def rolls(self) -> bool:
        """Tell whether there is roll."""
        return bool(self.jerk_rad.shape[1] > 2)

    @property
    def fastest_hz(self) -> float:
        """The highest frequency in it."""
        noise_hz = 0.0 if self.noise is None else STABILISER_NOISE_HZ[1]
        return max(_TREMOR_HZ[2], noise_hz, 0.0 if self.knock is None else self.knock.frequency_hz)

    def angles_rad(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return yaw and pitch [rad], (exposure, 2, time)."""
        angles = self._swings(time_s)[:, :2]
        if self.noise is not None:
            angles = angles + self.noise.at(time_s)
        return angles if self.knock is None else angles + self.knock.angles_rad(time_s)

    def roll_rad(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return roll [rad], x towards y, (exposure, time); 0 where there is none."""
        return self._swings(time_s)[:, 2] if self.rolls else np.zeros((self.jerk_hz.size, time_s.size))

    def part(self, first: int, last: int) -> Motion:
        """Return exposures first..last-1."""
        return replace(
            self,
            sines=self.sines.part(first, last),
            jerk_rad=self.jerk_rad[first:last],
            jerk_hz=self.jerk_hz[first:last],
            jerk_start_s=self.jerk_start_s[first:last],
            noise=None if self.noise is None else self.noise.part(first, last),
        )

    def _swings(self, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
        since = time_s[None, :] - self.jerk_start_s[:, None]
        jerk = np.exp(-since / self.jerk_decay_s) * np.sin(2.0 * np.pi * self.jerk_hz[:, None] * since)
        return np.asarray(self.sines.at(time_s) + self.jerk_rad[:, :, None] * jerk[:, None, :])


def draw_motion(
    hands: Hands,
    exposures: int,
    rng: np.random.Generator,
    *,
    stabiliser: Stabiliser | None = None,
    knock: ShutterKnock | None = None,
) -> Motion:
    """Return the motions of `exposures` independent exposures, as the camera lets them through."""
    sines, jerk = _drawn_sines(hands, (exposures, 2, _PARTS), rng)
    jerk_hz = rng.uniform(*_JERK_HZ, exposures)
    jerk_start_s = -rng.uniform(0.02, 0.12, exposures)
    size = np.exp(hands.unevenness * rng.standard_normal(exposures) - hands.unevenness**2)  # mean square 1
    sines, jerk = sines.scaled(size[:, None, None]), np.array([0.4, 1.0]) * jerk * size[:, None]
    noise = None
    if stabiliser is not None:
        sines = sines.scaled(stabiliser.share_left(sines.frequency_hz))
        jerk = jerk * stabiliser.share_left(jerk_hz)[:, None]
        noise = _stabiliser_noise(stabiliser, exposures, rng)
    if hands.roll_share > 0:
        roll, roll_jerk = _drawn_sines(hands, (exposures, 1, _PARTS), rng)
        sines = sines.beside(roll.scaled(hands.roll_share * size[:, None, None]))
        jerk = np.concatenate([jerk, hands.roll_share * roll_jerk * size[:, None]], axis=1)
    return Motion(sines, jerk, jerk_hz, jerk_start_s, hands.jerk_decay_s, noise, knock)


def still_motion(knock: ShutterKnock) -> Motion:
    """Return the motion of one exposure on a tripod: nothing but the knock of the shutter."""
    none = np.zeros((1, 2, 0))
    return Motion(Sines(none, none, none), np.zeros((1, 2)), np.zeros(1), np.zeros(1), 1.0, knock=knock)


def _drawn_sines(
    hands: Hands, shape: tuple[int, int, int], rng: np.random.Generator
) -> tuple[Sines, NDArray[np.float64]]:
    """Return the sines of hands (exposure, axis, part) and their jerks (exposure, axis), all axes alike."""
    sway_hz = np.exp(rng.uniform(math.log(_SWAY_HZ[0]), math.log(_SWAY_HZ[1]), shape))
    shake_hz, tremor_hz = rng.triangular(*_SHAKE_HZ, shape), rng.triangular(*_TREMOR_HZ, shape)
    # A sine whose amplitude is Rayleigh of parameter s has the variance s^2 over phases and amplitudes.
    share = 1.0 / math.sqrt(_PARTS)
    sway = rng.rayleigh(hands.sway_rad_per_s * share, shape) / (2.0 * np.pi * sway_hz)
    shake = rng.rayleigh(hands.shake_rad * share, shape)
    tremor = rng.rayleigh(hands.tremor_rad * share, shape)
    jerk = rng.normal(0.0, hands.jerk_rad, shape[:2])
    frequency = np.concatenate([sway_hz, shake_hz, tremor_hz], axis=2)
    phase = rng.uniform(0.0, 2.0 * np.pi, frequency.shape)
    return Sines(np.concatenate([sway, shake, tremor], axis=2), frequency, phase), jerk


def _stabiliser_noise(stabiliser: Stabiliser, exposures: int, rng: np.random.Generator) -> Sines:
    low, high = (math.log(limit) for limit in STABILISER_NOISE_HZ)
    frequency = np.exp(rng.uniform(low, high, (exposures, 2, _PARTS)))
    amplitude = rng.rayleigh(stabiliser.noise_rad / math.sqrt(_PARTS), frequency.shape)
    return Sines(amplitude, frequency, rng.uniform(0.0, 2.0 * np.pi, frequency.shape))


@lru_cache(maxsize=32)
def _gauss_nodes(count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return Gauss-Legendre nodes and weights on 0..1."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return (nodes + 1.0) / 2.0, weights / 2.0


def _node_count(exposure_s: float, travel_px: float, fastest_hz: float = _TREMOR_HZ[2]) -> int:
    """Return enough nodes for the fastest part and, in frequency space, for the travelled pixels.

    Gauss-Legendre converges once there are more than pi/2 nodes per period (Trefethen, SIAM Review 50, 2008,
    from memory); the integrand exp(-2 pi i f p) has `travel_px` periods at 1 cycle/pixel and up to twice that
    at the highest frequency used.
    """
    needed = 16 + 4.0 * fastest_hz * exposure_s + 4.0 * travel_px
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


def sample_motion(
    motion: Motion, exposure_s: float, focal_mm: float, pitch_um: float, reach_px: float = 0.0
) -> SampledPath:
    """Return the first exposure of `motion` as a path in pixels about its mean position.

    `reach_px` is how far from the frame's middle roll shall be true.
    """
    scale = pixels_per_radian(focal_mm, pitch_um)
    coarse = np.linspace(0.0, exposure_s, 65)
    steps = np.hypot(*np.diff(motion.angles_rad(coarse)[0] * scale, axis=1))
    turns = np.abs(np.diff(motion.roll_rad(coarse)[0])) * reach_px
    travel = float(steps.sum() + turns.sum())
    time, weight = _gauss_nodes(_node_count(exposure_s, travel, motion.fastest_hz))
    x, y = motion.angles_rad(time * exposure_s)[0] * scale
    roll = motion.roll_rad(time * exposure_s)[0]
    return SampledPath(
        x - float(weight @ x), y - float(weight @ y), weight, roll - float(weight @ roll) if motion.rolls else None
    )


@dataclass(frozen=True)
class TrueStreak:
    """The streak of one path: L = sqrt(12) * sigma per axis, the whole by hypot, direction of the longest
    axis; at the frame's centre where the camera rolls.

    `direction_deg` runs from 0 (along the rows) through 90 (along the columns, downward) to 180. `roll_mrad` is
    sqrt(12) * sigma of the roll.
    """

    x_px: float
    y_px: float
    streak_px: float
    direction_deg: float
    roll_mrad: float = 0.0


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
        roll_mrad=0.0 if path.roll_rad is None else 1e3 * math.sqrt(12.0 * _variance(path.roll_rad, path.weight)),
    )


def _variance(value: NDArray[np.float64], weight: NDArray[np.float64]) -> float:
    return float(weight @ (value - float(weight @ value)) ** 2)


def streaks_px(motion: Motion, exposure_s: float, focal_mm: float, pitch_um: float) -> NDArray[np.float64]:
    """Return the true streak [px] of every exposure of `motion` at the frame's centre, (exposure,)."""
    time, weight = _gauss_nodes(_node_count(exposure_s, 0.0, motion.fastest_hz))
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
    stabiliser: Stabiliser | None = None,
    paths: int = 20_000,
    seed: int = 77,
) -> float:
    """Return the shutter time [s] at which a share `keep` of exposures is at or under `streak_limit_px`
    at the frame's centre.

    Monte Carlo over `paths` motions, the same ones at every time, and the secant method in log time; the
    standard error is about sqrt(keep (1 - keep) / paths) over the density at the quantile: 0.4 % with the
    defaults.
    """
    motion = draw_motion(hands, paths, np.random.default_rng(seed), stabiliser=stabiliser)

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
