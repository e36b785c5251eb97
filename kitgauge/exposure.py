"""Stops, exposure values, and the marked and exact settings of a camera's dials.

A camera is marked in rounded numbers and works in exact powers of two: f/5.6 is 2^(5/2), 1/60 s is 1/64 s.
Marked ("nominal") values are kept for display, exact ones are used in physics. Pure standard library, so
that the planner starts at once.

Sources: ISO 2720 (reflected light N^2/t = L S / K, K = 12.5 cd s/m^2; incident light N^2/t = E S / C, C =
250 lx s); ISO 12232 (H_m = 10/S, H_sat = 78/S); constants from memory.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

C_INCIDENT_LX_S = 250.0
MIDGREY_FRACTION_OF_SATURATION = 10.0 / 78.0

DialStep = Literal["thirds", "halves", "whole"]
DIAL_STEPS: tuple[DialStep, ...] = ("thirds", "halves", "whole")

# A value this near (in stops) to a marked one was written by a camera that rounds to its marks, this near to
# an exact one by a camera that records what it does (APEX values are rounded to 0.1). Wider would catch
# freely chosen times, which are exact as they stand: 1/1205 s is not 1/1250 s. Positions are 1/6 stop or
# more apart.
_SAME_MARK_STOPS = 0.03
_SAME_EXACT_STOPS = 0.07


@dataclass(frozen=True)
class Dial:
    """The values a camera offers for one setting: marked and exact, in rising order."""

    nominal: tuple[float, ...]
    exact: tuple[float, ...]
    stops_per_factor: float  # log2 of a factor on this scale times this = stops of exposure

    def nearest(self, value: float) -> int:
        """Return the index of the exact value nearest to `value` (> 0) in stops."""
        if not value > 0:
            raise ValueError(f"a setting must be positive, got {value}")
        after = min(bisect_left(self.exact, value), len(self.exact) - 1)
        before = max(after - 1, 0)
        return min((before, after), key=lambda index: abs(math.log2(self.exact[index] / value)))

    def at_most(self, value: float) -> int | None:
        """Return the index of the largest exact value not above `value` (1e-6 slack), None without one."""
        index = bisect_left(self.exact, value * (1 + 1e-6)) - 1
        return None if index < 0 else index

    def at_least(self, value: float) -> int | None:
        """Return the index of the smallest exact value not below `value` (1e-6 slack), None without one."""
        index = bisect_left(self.exact, value * (1 - 1e-6))
        return None if index >= len(self.exact) else index


# Marked values, as engraved on dials (common practice, no source); index k of a list is k steps from the
# first.
_SHUTTER_THIRDS_PER_S: tuple[float, ...] = (
    1, 1.3, 1.6, 2, 2.5, 3, 4, 5, 6, 8, 10, 13, 15, 20, 25, 30, 40, 50, 60, 80, 100, 125, 160, 200, 250,
    320, 400, 500, 640, 800, 1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000, 6400, 8000, 10000, 12800,
    16000, 20000, 25600, 32000,
)  # fmt: skip
_SHUTTER_THIRDS_S: tuple[float, ...] = (1, 1.3, 1.6, 2, 2.5, 3.2, 4, 5, 6, 8, 10, 13, 15, 20, 25, 30)
# "1/1.3", "1/1.5" and "1/1.6" are marked 0.8, 0.7 and 0.6, "1/2" to "1/3" 0.5, 0.4 and 0.3
_SHUTTER_MARKED_S = {1 / 1.3: 0.8, 1 / 1.5: 0.7, 1 / 1.6: 0.6, 1 / 2: 0.5, 1 / 2.5: 0.4, 1 / 3: 0.3}
_SHUTTER_HALVES_PER_S: tuple[float, ...] = (
    1, 1.5, 2, 3, 4, 6, 8, 10, 15, 20, 30, 45, 60, 90, 125, 180, 250, 350, 500, 750, 1000, 1500, 2000,
    3000, 4000, 6000, 8000,
)  # fmt: skip
_SHUTTER_HALVES_S: tuple[float, ...] = (1, 1.5, 2, 3, 4, 6, 8, 10, 15, 20, 30)
_F_THIRDS: tuple[float, ...] = (
    1, 1.1, 1.2, 1.4, 1.6, 1.8, 2, 2.2, 2.5, 2.8, 3.2, 3.5, 4, 4.5, 5, 5.6, 6.3, 7.1, 8, 9, 10, 11, 13,
    14, 16, 18, 20, 22, 25, 29, 32, 36, 40, 45, 51, 57, 64,
)  # fmt: skip
_F_HALVES: tuple[float, ...] = (
    1, 1.2, 1.4, 1.7, 2, 2.4, 2.8, 3.3, 4, 4.8, 5.6, 6.7, 8, 9.5, 11, 13, 16, 19, 22, 27, 32, 38, 45, 54, 64,
)  # fmt: skip
_ISO_THIRDS: tuple[float, ...] = (
    25, 32, 40, 50, 64, 80, 100, 125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250, 1600, 2000, 2500,
    3200, 4000, 5000, 6400, 8000, 10000, 12800, 16000, 20000, 25600, 32000, 40000, 51200, 64000, 80000,
    102400, 128000, 160000, 204800, 256000, 320000, 409600, 512000, 640000, 819200,
)  # fmt: skip
_ISO_HALVES: tuple[float, ...] = (
    25, 35, 50, 70, 100, 140, 200, 280, 400, 560, 800, 1100, 1600, 2200, 3200, 4500, 6400, 9000, 12800,
    18000, 25600, 36000, 51200, 72000, 102400, 144000, 204800, 288000, 409600,
)  # fmt: skip


def shutter_dial(step: DialStep = "thirds") -> Dial:
    """Return the shutter times [s] of a dial in thirds, halves (to 1/8000) or whole stops, to 30 s."""
    if step == "halves":
        fast, slow, per_stop = _SHUTTER_HALVES_PER_S, _SHUTTER_HALVES_S, 2
    else:
        fast, slow, per_stop = _SHUTTER_THIRDS_PER_S, _SHUTTER_THIRDS_S, 3
    pairs = [(_SHUTTER_MARKED_S.get(1 / n, 1 / n), 2.0 ** (-k / per_stop)) for k, n in enumerate(fast)]
    pairs.reverse()
    pairs += [(float(marked), 2.0 ** (k / per_stop)) for k, marked in enumerate(slow) if k > 0]
    if step == "whole":
        pairs = [pair for pair in pairs if abs(math.log2(pair[1]) - round(math.log2(pair[1]))) < 1e-9]
    return Dial(tuple(p[0] for p in pairs), tuple(p[1] for p in pairs), 1.0)


def f_number_dial(step: DialStep = "thirds") -> Dial:
    """Return the f-numbers of a dial in thirds, halves or whole stops, f/1 to f/64."""
    marked, per_stop = (_F_HALVES, 2) if step == "halves" else (_F_THIRDS, 3)
    pairs = [(float(n), 2.0 ** (k / (2 * per_stop))) for k, n in enumerate(marked)]
    if step == "whole":
        pairs = pairs[::3]
    return Dial(tuple(p[0] for p in pairs), tuple(p[1] for p in pairs), 2.0)


def iso_dial(step: DialStep = "thirds") -> Dial:
    """Return the ISO values of a dial in thirds, halves or whole stops, ISO 25 upward."""
    marked, per_stop = (_ISO_HALVES, 2) if step == "halves" else (_ISO_THIRDS, 3)
    pairs = [(float(n), 25.0 * 2.0 ** (k / per_stop)) for k, n in enumerate(marked)]
    if step == "whole":
        pairs = pairs[::3]
    return Dial(tuple(p[0] for p in pairs), tuple(p[1] for p in pairs), 1.0)


_MATCH_DIALS = {
    "shutter": (shutter_dial("thirds"), shutter_dial("halves")),
    "f_number": (f_number_dial("thirds"), f_number_dial("halves")),
    "iso": (iso_dial("thirds"), iso_dial("halves")),
}


@lru_cache(maxsize=4096)
def _snap(value: float, kind: str) -> tuple[float, float] | None:
    """Return (nominal, exact) of the dial position that `value`, marked or exact, belongs to.

    A mark that thirds and halves share for different positions (1/6, 1/20, f/13) is taken as the one in
    thirds.
    """
    best: tuple[float, float, float] | None = None
    for dial in _MATCH_DIALS[kind]:
        for nominal, exact in zip(dial.nominal, dial.exact, strict=True):
            from_mark = dial.stops_per_factor * abs(math.log2(value / nominal))
            from_exact = dial.stops_per_factor * abs(math.log2(value / exact))
            if from_mark > _SAME_MARK_STOPS and from_exact > _SAME_EXACT_STOPS:
                continue
            distance = min(from_mark, from_exact)
            if best is None or distance < best[0] - 1e-9:
                best = (distance, nominal, exact)
    return None if best is None else (best[1], best[2])


def _require_positive(value: float, name: str) -> None:
    if not (math.isfinite(value) and value > 0):
        raise ValueError(f"{name} must be a positive number, got {value}")


def exact_shutter_s(marked_s: float) -> float:
    """Return the exact time [s] of a marked one: 1/60 -> 1/64. Values on no dial come back unchanged."""
    _require_positive(marked_s, "shutter time")
    snapped = _snap(marked_s, "shutter")
    return marked_s if snapped is None else snapped[1]


def exact_f_number(marked: float) -> float:
    """Return the exact f-number of a marked one: 5.6 -> 2^(5/2). Values on no dial come back unchanged."""
    _require_positive(marked, "f-number")
    snapped = _snap(marked, "f_number")
    return marked if snapped is None else snapped[1]


def exact_iso(marked: float) -> float:
    """Return the exact ISO of a marked one: 125 -> 100 * 2^(1/3). Values on no dial come back unchanged."""
    _require_positive(marked, "ISO")
    snapped = _snap(marked, "iso")
    return marked if snapped is None else snapped[1]


def nominal_shutter_s(time_s: float) -> float:
    """Return the marked shutter time [s] of an exact or marked one: 1/64 -> 1/60."""
    _require_positive(time_s, "shutter time")
    snapped = _snap(time_s, "shutter")
    return time_s if snapped is None else snapped[0]


def nominal_f_number(f_number: float) -> float:
    """Return the marked f-number of an exact or marked one: 5.657 -> 5.6."""
    _require_positive(f_number, "f-number")
    snapped = _snap(f_number, "f_number")
    return f_number if snapped is None else snapped[0]


def nominal_iso(iso: float) -> float:
    """Return the marked ISO of an exact or marked one: 126 -> 125."""
    _require_positive(iso, "ISO")
    snapped = _snap(iso, "iso")
    return iso if snapped is None else snapped[0]


def ev100(f_number: float, shutter_s: float, iso: float) -> float:
    """Return the exposure value at ISO 100, log2(N^2/t) - log2(S/100), of exact settings (ISO 2720)."""
    for value, name in ((f_number, "f-number"), (shutter_s, "shutter time"), (iso, "ISO")):
        _require_positive(value, name)
    return math.log2(f_number**2 / shutter_s) - math.log2(iso / 100.0)


def ev100_from_lux(illuminance_lx: float) -> float:
    """Return EV at ISO 100 of an incident illuminance [lx]: 2^EV = E 100 / C, C = 250 lx s (ISO 2720)."""
    _require_positive(illuminance_lx, "illuminance")
    return math.log2(illuminance_lx * 100.0 / C_INCIDENT_LX_S)


def iso_for(ev100_value: float, f_number: float, shutter_s: float) -> float:
    """Return the ISO that exposes EV100 at exact f-number and time: S = 100 N^2 / (t 2^EV) (ISO 2720)."""
    _require_positive(f_number, "f-number")
    _require_positive(shutter_s, "shutter time")
    return float(100.0 * f_number**2 / (shutter_s * 2.0**ev100_value))


def format_shutter(time_s: float) -> str:
    """Return a shutter time as on a dial: '1/125 s', '0.8 s', '2 s'; one on no dial by its value."""
    nominal = nominal_shutter_s(time_s)
    if nominal < 0.29:
        parts = 1 / nominal
        return f"1/{round(parts)} s" if parts > 10 or abs(parts - round(parts)) < 0.05 else f"1/{parts:.1f} s"
    return f"{nominal:.2g} s" if nominal < 10 else f"{nominal:.0f} s"


def format_f_number(f_number: float) -> str:
    """Return an f-number as on a dial: 'f/5.6', 'f/16'."""
    nominal = nominal_f_number(f_number)
    return f"f/{nominal:.2g}" if nominal < 10 else f"f/{nominal:.0f}"


def percent(share: float) -> str:
    """Return a share in per cent, '97 %'; never 100 % or 0 % for what is only near it."""
    if 0.995 <= share < 1:
        return "over 99 %"
    return "under 1 %" if 0 < share < 0.005 else f"{100 * share:.0f} %"


def format_exact_shutter(time_s: float) -> str:
    """Return a time by its own value, which need not be on a dial: '1/43 s', '0.62 s'."""
    if time_s < 0.29:
        parts = 1 / time_s
        return f"1/{parts:.0f} s" if parts >= 9.95 or abs(parts - round(parts)) < 0.05 else f"1/{parts:.1f} s"
    return f"{time_s:.2g} s" if time_s < 9.95 else f"{time_s:.0f} s"


def format_exact_f_number(f_number: float) -> str:
    """Return an f-number by its own value, with up to three significant digits: 'f/3.44', 'f/10.3', 'f/8'."""
    return f"f/{f_number:.3g}" if f_number < 999.5 else f"f/{f_number:.0f}"


def format_exact_iso(iso: float) -> str:
    """Return an ISO by its own value, with three significant digits: 'ISO 8540', 'ISO 126'; a marked one whole."""
    marked = nominal_iso(iso)
    rounded = marked if abs(iso / marked - 1) < 1e-4 else float(f"{iso:.3g}")
    return f"ISO {rounded:.0f}" if rounded >= 100 else f"ISO {rounded:g}"


def dial_shutter(time_s: float) -> float:
    """Return the marked time [s] of the slowest third of a stop that is not slower than `time_s`; itself if
    none is.
    """
    dial = shutter_dial()
    index = dial.at_most(time_s)
    return time_s if index is None else dial.nominal[index]


def dial_f_number(f_number: float, *, up: bool) -> float:
    """Return the marked f-number of the nearest third of a stop not below (`up`) or not above `f_number`;
    itself if there is none.
    """
    dial = f_number_dial()
    index = dial.at_least(f_number) if up else dial.at_most(f_number)
    return f_number if index is None else dial.nominal[index]


def dial_iso(iso: float) -> float:
    """Return the marked ISO of the highest third of a stop not above `iso`; itself if there is none."""
    dial = iso_dial()
    index = dial.at_most(iso)
    return iso if index is None else dial.nominal[index]
