"""One way out: its settings, what they give, and the price in words and numbers. Pure standard library."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from kitgauge.exposure import nominal_f_number, nominal_iso, nominal_shutter_s
from kitgauge.planner.choose import Setting
from kitgauge.planner.predict import Predicted

MOST_FRAMES = 12  # longer bursts and focus stacks are not practical (common practice, no source)
Predict = Callable[[Setting], Predicted]


class Alternative(NamedTuple):
    """One way out.

    `price` says in words and numbers what it costs, `price_numbers` holds the numbers with their units in the
    names; `frames` is how many frames to shoot; `remaining_stops` what it leaves of the gap.
    """

    kind: str
    setting: Setting
    predicted: Predicted
    price: str
    price_numbers: Mapping[str, float | None]
    frames: int = 1
    remaining_stops: float = 0.0

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "kind": self.kind,
            "settings": settings_dict(self.setting),
            "exposure_error_stops": self.setting.error_stops,
            "predicted": self.predicted.as_dict(),
            "price": self.price,
            "price_numbers": dict(self.price_numbers),
            "frames": self.frames,
            "remaining_stops": self.remaining_stops,
        }


def settings_dict(setting: Setting) -> dict[str, float]:
    """Return the settings as marked on the dials."""
    return {
        "shutter_s": nominal_shutter_s(setting.shutter_s),
        "f_number": nominal_f_number(setting.f_number),
        "iso": nominal_iso(setting.iso),
    }


def still_missing(remaining: float) -> str:
    """Return the end of a price that leaves some of the gap, nothing where it closes it."""
    return f"; {remaining:.1f} stops are still missing" if remaining > 0 else ""
