"""The choice of settings on the camera's dials.

Order: the slowest shutter that freezes hands and subject; the lowest f-number that has the whole subject in
focus and is in the sharp range; the ISO that exposes (N^2/t = 2^EV S/100, ISO 2720). With more light than
that needs, the shutter gets faster, then the f-number higher. With less light than the highest ISO of the
camera allows, the aperture opens, then the shutter slows. All physics uses exact values; only the answer is
marked ones.

Pure standard library.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from kitgauge.exposure import Dial, f_number_dial, iso_dial, iso_for, shutter_dial
from kitgauge.planner.motion import Motion
from kitgauge.planner.request import CameraFacts

EXPOSURE_TOLERANCE_STOPS = 1.0 / 6.0
_EPS = 1e-6


@dataclass(frozen=True)
class Setting:
    """Exact shutter time [s], f-number and ISO, and how far they expose above (+) or below (-) the light
    [stops].
    """

    shutter_s: float
    f_number: float
    iso: float
    error_stops: float


@dataclass(frozen=True)
class Bounds:
    """What the choice must respect. f-numbers and ISO exact; `f_depth` 0 where no depth is asked."""

    ev100: float  # light that reaches the sensor, after filter and highlight margin
    motion: Motion
    f_depth: float
    f_sharp_low: float
    f_sharp_high: float
    iso_limit: float
    depth_missing_stops: float = 0.0  # what even `f_depth` leaves out of focus
    f_focus: float = 0.0  # lowest at which focusing, as measured, serves; 0 where it was not measured

    @property
    def f_lowest(self) -> float:
        """The lowest f-number that depth, focusing and the sharp range allow; depth and focusing come before the sharp
        range where all cannot be had.
        """
        return max(self.f_depth, self.f_focus, min(self.f_sharp_low, self.f_sharp_high))


class Choice(NamedTuple):
    """Settings with what they give up.

    shortfall_stops        how far the ISO that the wanted shutter and f-number need lies above the ISO limit
    overexposed_stops, underexposed_stops   what the camera's ranges cannot reach
    wanted_shutter_s, wanted_f_number   what freezing, depth and sharpness ask for, whatever the light
    depth_shortfall_stops  how far the f-number stays below what depth needs
    opened, slowed         the aperture was opened / the shutter slowed because the highest ISO was not enough
    faster, closed         the shutter was made faster / the aperture closed because the lowest ISO was too
                           much
    frozen                 the shutter freezes hands and subject
    """

    setting: Setting
    wanted_shutter_s: float
    wanted_f_number: float
    shortfall_stops: float
    overexposed_stops: float
    underexposed_stops: float
    depth_shortfall_stops: float
    opened: bool
    slowed: bool
    faster: bool
    closed: bool
    frozen: bool

    @property
    def short(self) -> bool:
        """Whether anything that was asked for cannot be had."""
        missing = (self.shortfall_stops, self.overexposed_stops, self.underexposed_stops, self.depth_shortfall_stops)
        return any(stops > 0 for stops in missing)


@dataclass(frozen=True)
class Dials:
    """The exact values this camera offers, in rising order."""

    shutter_s: tuple[float, ...]
    f_number: tuple[float, ...]
    iso: tuple[float, ...]

    def best_iso(self, ev100: float, f_number: float, shutter_s: float) -> tuple[float, float]:
        """Return the ISO that exposes best, and its error [stops], + = too bright."""
        needed = iso_for(ev100, f_number, shutter_s)
        above = min(bisect_left(self.iso, needed), len(self.iso) - 1)
        near = self.iso[max(above - 1, 0) : above + 1]
        return min(((iso, math.log2(iso / needed)) for iso in near), key=lambda pair: abs(pair[1]))


@lru_cache(maxsize=16)
def dials(camera: CameraFacts) -> Dials:
    """Return the dials of a camera given by exact facts; each range holds at least its own ends' nearest
    value.
    """

    def within(dial: Dial, low: float, high: float) -> tuple[float, ...]:
        inside = tuple(value for value in dial.exact if low * (1 - _EPS) <= value <= high * (1 + _EPS))
        return inside or (dial.exact[dial.nearest(math.sqrt(low * high))],)

    return Dials(
        within(shutter_dial(camera.dial_step), camera.shutter_fastest_s, camera.shutter_slowest_s),
        within(f_number_dial(camera.dial_step), camera.f_min, camera.f_max),
        within(iso_dial(camera.iso_step), camera.iso_min, camera.iso_max),
    )


def choose(bounds: Bounds, available: Dials) -> Choice:
    """Return the settings by the order above."""
    shutter_s = wanted_shutter_s(bounds.motion, available)
    f_number = wanted_f_number(bounds, available)
    faster_s = [time for time in reversed(available.shutter_s) if time <= shutter_s * (1 + _EPS)]
    higher_f = [number for number in available.f_number if number >= f_number * (1 - _EPS)]
    lower_f = [number for number in reversed(available.f_number) if number < f_number * (1 - _EPS)]
    slower_s = [time for time in available.shutter_s if time > shutter_s * (1 + _EPS)]
    base, top = available.iso[0], available.iso[-1]

    needed = iso_for(bounds.ev100, f_number, shutter_s)
    if needed < base * 2**-EXPOSURE_TOLERANCE_STOPS:
        candidates = [(time, f_number) for time in faster_s] + [(faster_s[-1], number) for number in higher_f]
    elif needed > top * 2**EXPOSURE_TOLERANCE_STOPS:
        candidates = [(shutter_s, number) for number in [f_number, *lower_f]]
        candidates += [(time, candidates[-1][1]) for time in slower_s]
    else:
        candidates = [(shutter_s, f_number), *((time, f_number) for time in faster_s)]
    setting = _first_exposing(candidates, bounds.ev100, available)
    return Choice(
        setting=setting,
        wanted_shutter_s=shutter_s,
        wanted_f_number=f_number,
        shortfall_stops=shortfall_stops(setting, needed, bounds.iso_limit, available),
        overexposed_stops=setting.error_stops if setting.error_stops > _worst_step(available) else 0.0,
        underexposed_stops=-setting.error_stops if setting.error_stops < -_worst_step(available) else 0.0,
        depth_shortfall_stops=bounds.depth_missing_stops + _stops_of_f(setting.f_number, bounds.f_depth),
        opened=setting.f_number < f_number * (1 - _EPS),
        slowed=setting.shutter_s > shutter_s * (1 + _EPS),
        faster=setting.shutter_s < shutter_s * (1 - _EPS),
        closed=setting.f_number > f_number * (1 + _EPS),
        frozen=bounds.motion.freezes(setting.shutter_s),
    )


def wanted_shutter_s(motion: Motion, available: Dials) -> float:
    """Return the slowest dial value that freezes hands and subject, the fastest if none does."""
    return next((time for time in reversed(available.shutter_s) if motion.freezes(time)), available.shutter_s[0])


def wanted_f_number(bounds: Bounds, available: Dials) -> float:
    """Return the lowest dial f-number with the depth, that focusing allows, and in the sharp range."""
    needed = bounds.f_lowest
    return next((value for value in available.f_number if value >= needed * (1 - _EPS)), available.f_number[-1])


def usable_iso(iso_limit: float, available: Dials) -> float:
    """Return the highest dial ISO at or below the limit, the camera's lowest if there is none."""
    return max((iso for iso in available.iso if iso <= iso_limit * (1 + _EPS)), default=available.iso[0])


def shortfall_stops(setting: Setting, needed_iso: float, iso_limit: float, available: Dials) -> float:
    """Return how many stops of light are missing: the ISO needed above the ISO limit, 0 where the dial stays
    within.
    """
    usable = usable_iso(iso_limit, available)
    within = setting.iso <= usable * (1 + _EPS) and needed_iso <= usable * 2 ** (EXPOSURE_TOLERANCE_STOPS + _EPS)
    return 0.0 if within else max(math.log2(needed_iso / usable), 0.0)


def _stops_of_f(f_number: float, f_depth: float) -> float:
    return 2 * math.log2(f_depth / f_number) if f_depth > f_number * (1 + _EPS) else 0.0


def _first_exposing(candidates: list[tuple[float, float]], ev100: float, available: Dials) -> Setting:
    """Return the first candidate (shutter_s, f_number) that some ISO exposes within tolerance, else the best
    exposed.
    """
    best: Setting | None = None
    for shutter_s, f_number in candidates:
        iso, error = available.best_iso(ev100, f_number, shutter_s)
        setting = Setting(shutter_s, f_number, iso, error)
        if abs(error) <= EXPOSURE_TOLERANCE_STOPS + _EPS:
            return setting
        if best is None or abs(error) < abs(best.error_stops) - _EPS:
            best = setting
    assert best is not None  # the candidates always hold the wanted setting
    return best


def _worst_step(available: Dials) -> float:
    """Return half the widest step of the ISO dial [stops]: what no choice of ISO can better, at least the
    tolerance.
    """
    steps = [math.log2(b / a) for a, b in zip(available.iso, available.iso[1:], strict=False)]
    return max([step / 2 for step in steps] + [EXPOSURE_TOLERANCE_STOPS]) + _EPS
