"""The exact values that a sweep steps through on one camera."""

from __future__ import annotations

import math
from collections.abc import Sequence

from kitgauge.errors import UsageError
from kitgauge.exposure import Dial, f_number_dial, iso_dial, shutter_dial
from kitgauge.protocol.camera_range import CameraRange
from kitgauge.protocol.marked import Setting, format_setting
from kitgauge.protocol.sweep import ApertureSweep, IsoSweep, ShutterSweep, Spacing

__all__ = ["dial_for", "format_setting", "sweep_values"]

_DIALS = {"iso": iso_dial, "shutter_s": shutter_dial, "f_number": f_number_dial}
_STEP_STOPS: dict[Spacing, float] = {"full-stops": 1.0, "half-stops": 0.5, "third-stops": 1 / 3}
_OPTIONS = {
    "iso": "--iso-min and --iso-max",
    "shutter_s": "the shutter range",
    "f_number": "--f-min and --f-max",
}


def dial_for(setting: Setting, spacing: Spacing) -> Dial:
    """Return the dial of a setting; whole stops are those of the main scale (f/2, f/2.8; ISO 100, 200)."""
    if spacing == "half-stops":
        return _DIALS[setting]("halves")
    return _DIALS[setting]("whole" if spacing == "full-stops" else "thirds")


def sweep_values(
    sweep: IsoSweep | ApertureSweep | ShutterSweep, camera: CameraRange
) -> tuple[tuple[float, ...], tuple[str, ...]]:
    """Return the exact values of `sweep` on this camera, rising, and remarks on what was left out or assumed.

    A spacing takes the marked values in the range, and the ends of the camera's own range as well: the lower
    end always (wide open, base ISO), the upper one if it lies at least half a step beyond the last. Shutter
    times keep to the dial. UsageError if nothing is left.
    """
    setting: Setting = sweep.setting
    camera_low, camera_high = camera.bounds(setting)
    remarks: list[str] = []
    if isinstance(sweep.values, tuple):
        inside = [value for value in sorted(sweep.values) if _within(value, camera_low, camera_high)]
        outside = [value for value in sorted(sweep.values) if not _within(value, camera_low, camera_high)]
        if outside:
            names = ", ".join(format_setting(setting, value) for value in outside)
            remarks.append(f"Left out, because this camera or lens does not offer it: {names}.")
        return _not_empty(inside, setting, camera_low, camera_high), tuple(remarks)

    low, high = _wanted_bounds(sweep, camera, remarks)
    if setting == "f_number" and high < camera_low:  # a slow lens: wide open is as near as it gets
        remarks.append(f"This lens opens to {format_setting(setting, camera_low)} only: that one is used.")
        return (camera_low,), tuple(remarks)
    low, high = max(low, camera_low), min(high, camera_high)
    dial = dial_for(setting, sweep.values)
    values = [value for value in dial.exact if _within(value, low, high)]
    if setting != "shutter_s" and low <= high:
        spacing = _STEP_STOPS[sweep.values] / dial.stops_per_factor
        if low == camera_low:
            # an end of the range that all but falls on the dial (f/1.05) takes that place
            nearly = bool(values) and math.log2(values[0] / low) < 0.25 * spacing
            values = [low, *values[1:]] if nearly else [low, *values]
        if high == camera_high and values and math.log2(high / values[-1]) >= 0.5 * spacing - 1e-9:
            values.append(high)
    return _not_empty(values, setting, low, high), tuple(remarks)


def _wanted_bounds(
    sweep: IsoSweep | ApertureSweep | ShutterSweep, camera: CameraRange, remarks: list[str]
) -> tuple[float, float]:
    low = sweep.lowest if sweep.lowest is not None else 0.0
    high = sweep.highest if sweep.highest is not None else math.inf
    if isinstance(sweep, ShutterSweep) and sweep.around is not None:
        focal_35mm, source = camera.focal_in_35mm_terms()
        assert not isinstance(sweep.values, tuple)
        assert sweep.faster_stops is not None and sweep.slower_stops is not None
        # 1 / focal length in 35 mm terms: common practice, no source
        dial = dial_for("shutter_s", sweep.values)
        centre = dial.exact[dial.nearest(1.0 / focal_35mm)]
        remarks.append(
            f"The ladder is placed around {format_setting('shutter_s', centre)}, by the common "
            f"1/focal-length rule ({source})."
        )
        low = max(low, centre * 2.0**-sweep.faster_stops)
        high = min(high, centre * 2.0**sweep.slower_stops)
    return low, high


def _within(value: float, low: float, high: float) -> bool:
    return low * (1 - 1e-6) <= value <= high * (1 + 1e-6)


def _not_empty(values: Sequence[float], setting: Setting, low: float, high: float) -> tuple[float, ...]:
    if not values:
        raise UsageError(
            "the protocol's values and the camera's range have nothing in common",
            where=f"sweep over {setting}",
            got=f"range {low:g} to {high:g}",
            needed="at least one value of the sweep inside it",
            fix=f"check {_OPTIONS[setting]}, or the sweep in the protocol",
        )
    return tuple(values)
