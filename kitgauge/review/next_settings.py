"""What to set next: by as many stops as the measured blur asks for, and what that costs.

Blur: the shutter faster by log2(streak / longest streak that counts as sharp). Out of focus: the f-number up until the
defocus disc, which shrinks with it, is no larger than the circle of confusion: 2 log2(disc / circle) stops. Where
nothing was measured: one stop of shutter, two stops of f-number (common practice, no source). ISO keeps the exposure.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

from kitgauge.exposure import (
    f_number_dial,
    format_f_number,
    format_shutter,
    iso_dial,
    nominal_f_number,
    nominal_iso,
    nominal_shutter_s,
    shutter_dial,
)
from kitgauge.planner.basis import MEASURED, PRACTICE, Basis
from kitgauge.planner.inputs import Inputs
from kitgauge.planner.viewing import Viewing
from kitgauge.review.softness import Softness

PRACTICE_SHUTTER_STOPS, PRACTICE_F_NUMBER_STOPS = 1.0, 2.0  # common practice, no source
HIGHEST_F_NUMBER = 22.0
_LOWER_ISO_WORTH = 1.0 / 3.0  # stops
_DARKER = 0.2  # stops


@dataclass(frozen=True)
class Exposure:
    """Exact settings of a frame."""

    shutter_s: float
    f_number: float
    iso: float

    def words(self) -> str:
        """Return '1/125 s, f/4, ISO 800'."""
        return f"{format_shutter(self.shutter_s)}, {format_f_number(self.f_number)}, ISO {nominal_iso(self.iso):.0f}"

    def marked(self) -> dict[str, float]:
        """Return the settings as marked on the dials."""
        return {
            "shutter_s": nominal_shutter_s(self.shutter_s),
            "f_number": nominal_f_number(self.f_number),
            "iso": nominal_iso(self.iso),
        }


@dataclass(frozen=True)
class NextSettings:
    """One thing to try. `stops` of shutter or f-number that the blur asks for; `costs` in words."""

    kind: str
    setting: Exposure
    stops: float
    basis: Basis
    reason: str
    costs: tuple[str, ...]
    iso_over_limit_stops: float

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {**asdict(self), "setting": self.setting.marked()}


@dataclass(frozen=True)
class Demands:
    """What counts as sharp in the picture as used [px of the frame], and the circle of confusion [mm]."""

    streak_px: float
    circle_px: float
    circle_mm: float


def next_settings(
    taken: Exposure, soft: Softness, demands: Demands, inputs: Inputs, iso_max: float
) -> tuple[NextSettings, ...]:
    """Return what to set next, the most likely remedy first; nothing where the frame asks for nothing.

    `iso_max`: the highest ISO that the camera is known to have; past it the frame gets darker, and that is said.
    """
    price = _Price(taken, inputs, demands, iso_max)
    cause = soft.part_cause if soft.cause == "sharp-in-part" else soft.cause
    ways: list[NextSettings] = []
    if soft.cause in ("defocus", "motion-and-defocus"):
        ways.append(_focus_anew(taken, soft, demands, inputs))
    if cause in ("motion", "motion-and-defocus"):
        ways.insert(0, _faster(price, soft))
    if cause in ("defocus", "motion-and-defocus"):
        ways += _closed(price, soft)
    if soft.cause == "sharp-in-part" and cause == "cannot-tell":
        ways += [*_closed(price, soft), _faster(price, soft)]
    if soft.cause in ("sharp", "noise", "cannot-tell"):
        ways += _less_noise(taken, inputs)
    return tuple(ways)


@dataclass(frozen=True)
class _Price:
    """What the costs of a change are reckoned from."""

    taken: Exposure
    inputs: Inputs
    demands: Demands
    iso_max: float

    def way(self, kind: str, shutter_s: float, f_number: float, stops: float, basis: Basis, why: str) -> NextSettings:
        """Return these settings with the ISO that keeps the exposure, and what they cost."""
        taken, isos = self.taken, iso_dial()
        exact = taken.iso * taken.shutter_s / shutter_s * (f_number / taken.f_number) ** 2
        setting = Exposure(shutter_s, f_number, isos.exact[isos.nearest(min(exact, self.iso_max))])
        costs = [
            *_noise_cost(taken, setting, self.inputs),
            *_diffraction_cost(taken, setting, self.inputs, self.demands),
        ]
        missing = math.log2(exact / setting.iso)
        if missing > _DARKER:
            highest = nominal_iso(setting.iso)
            costs.append(f"{missing:.1f} stops darker, as ISO {highest:.0f} is taken as the camera's highest")
        over = math.log2(setting.iso / self.inputs.noise.iso_limit)
        return NextSettings(kind, setting, stops, basis, why, tuple(costs), max(over, 0.0))


def _focus_anew(taken: Exposure, soft: Softness, demands: Demands, inputs: Inputs) -> NextSettings:
    stops = PRACTICE_F_NUMBER_STOPS
    if soft.disc_px is not None:
        stops = max(2.0 * math.log2(soft.disc_px / demands.circle_px), 0.0)
    why = "focus anew on the subject, with the same settings: nothing in the frame was in focus"
    over = max(math.log2(taken.iso / inputs.noise.iso_limit), 0.0)
    return NextSettings("focus", taken, stops, MEASURED, why, (), over)


def _faster(price: _Price, soft: Softness) -> NextSettings:
    stops, basis = PRACTICE_SHUTTER_STOPS, PRACTICE
    reason = "one stop faster (common practice; the streak was not measured)"
    if soft.streak_px is not None:
        stops, basis = max(math.log2(soft.streak_px / price.demands.streak_px), 0.0), MEASURED
        reason = (
            f"{stops:.1f} stops faster, as the streak of {soft.streak_px:.1f} px must come down to "
            f"{price.demands.streak_px:.2g} px"
        )
    dial = shutter_dial()
    index = dial.at_most(price.taken.shutter_s / 2**stops)
    shutter_s = dial.exact[0 if index is None else index]
    return price.way("faster-shutter", shutter_s, price.taken.f_number, stops, basis, reason)


def _closed(price: _Price, soft: Softness) -> list[NextSettings]:
    """Return a higher f-number, nothing where no lens closes so far."""
    taken, demands = price.taken, price.demands
    stops, basis = PRACTICE_F_NUMBER_STOPS, PRACTICE
    reason = "two stops of f-number (common practice; the depth missing was not measured)"
    if soft.disc_px is not None:
        stops, basis = max(2.0 * math.log2(soft.disc_px / demands.circle_px), 0.0), MEASURED
        reason = (
            f"{stops:.1f} stops of f-number, as the blur disc of {soft.disc_px:.1f} px must come down to "
            f"{demands.circle_px:.2g} px"
        )
    dial = f_number_dial()
    index = dial.at_least(taken.f_number * 2 ** (stops / 2))
    highest = dial.exact[dial.nearest(HIGHEST_F_NUMBER)]
    if index is None or dial.exact[index] > highest * 1.001:
        return []
    return [price.way("higher-f-number", taken.shutter_s, dial.exact[index], stops, basis, reason)]


def _less_noise(taken: Exposure, inputs: Inputs) -> list[NextSettings]:
    """Return a slower shutter with a lower ISO where the ISO is over the limit and the hands allow it."""
    over = math.log2(taken.iso / inputs.noise.iso_limit)
    hands = min(inputs.motion.hands_cap_s, inputs.motion.subject_cap_s)
    if over <= 0 or not math.isfinite(hands) or hands <= taken.shutter_s * 2**_LOWER_ISO_WORTH:
        return []
    dial, isos = shutter_dial(), iso_dial()
    index = dial.at_most(min(hands, taken.shutter_s * 2**over))
    if index is None or dial.exact[index] <= taken.shutter_s * 1.001:
        return []
    shutter_s = dial.exact[index]
    iso = isos.exact[isos.nearest(taken.iso * taken.shutter_s / shutter_s)]
    stops = math.log2(shutter_s / taken.shutter_s)
    reason = f"{stops:.1f} stops slower, as hands and a subject holding still allow, and so much lower an ISO"
    setting = Exposure(shutter_s, taken.f_number, iso)
    left = max(math.log2(iso / inputs.noise.iso_limit), 0.0)
    return [
        NextSettings(
            "lower-iso", setting, stops, inputs.hands.basis, reason, tuple(_noise_cost(taken, setting, inputs)), left
        )
    ]


def _noise_cost(taken: Exposure, setting: Exposure, inputs: Inputs) -> list[str]:
    before, after = (inputs.noise.snr(one.iso)[0] for one in (taken, setting))
    costs = []
    if math.isnan(before) or math.isnan(after):
        factor = math.sqrt(taken.iso / setting.iso)
        if abs(math.log2(factor)) > 0.05:
            costs.append(
                f"noise: the signal-to-noise ratio changes to {100 * factor:.0f} % (photon noise; not measured)"
            )
    else:
        costs.append(f"noise: SNR at mid-grey {before:.3g} becomes {after:.3g}")
    over = math.log2(setting.iso / inputs.noise.iso_limit)
    limit = f"ISO {nominal_iso(inputs.noise.iso_limit):.0f}"
    whose = "your limit" if inputs.noise.because.basis != PRACTICE else "what is usually taken as the highest"
    if over > 1 / 6:
        costs.append(f"ISO {nominal_iso(setting.iso):.0f} is {over:.1f} stops above {whose}, {limit}")
    elif setting.iso > taken.iso:
        costs.append(f"ISO {nominal_iso(setting.iso):.0f} is within {whose}, {limit}")
    return costs


def _diffraction_cost(taken: Exposure, setting: Exposure, inputs: Inputs, demands: Demands) -> list[str]:
    if setting.f_number <= taken.f_number * 1.001:
        return []
    viewing = Viewing(demands.circle_mm)
    before, after = (100 * viewing.mtf(one.f_number, 0.0) for one in (taken, setting))
    cost = f"diffraction: of the finest visible detail's contrast {after:.0f} % are left by it, not {before:.0f} %"
    if setting.f_number > inputs.sharp.high * 1.001:
        cost += f"; {format_f_number(setting.f_number)} is beyond the sharp range"
    return [cost]
