"""What to enter in a camera's automatic ISO: highest ISO, slowest shutter, and what happens past them.

From the same limits as a plan. Pure standard library.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from kitgauge.exposure import format_shutter, nominal_iso, nominal_shutter_s, percent
from kitgauge.limits.several import wrapped
from kitgauge.planner.basis import Because
from kitgauge.planner.choose import dials, usable_iso, wanted_shutter_s
from kitgauge.planner.inputs import resolve
from kitgauge.planner.kit_model import KitModel
from kitgauge.planner.request import FULL_FRAME_DIAGONAL_MM, CameraFacts, PlanRequest

if TYPE_CHECKING:
    from kitgauge.limits.entries import AcceptedLimit

SCHEMA = 1
_USUAL_FOCAL_MM = (24.0, 35.0, 50.0, 85.0, 135.0, 200.0)
_PAST_STOPS = (1, 2)
_MENU_SLACK_STOPS = 0.2  # of a menu in whole stops: a sixth of a stop, as an exposure is held to, and rounding


@dataclass(frozen=True)
class SlowestShutter:
    """The slowest shutter at one focal length: on the dial (exact) [s], how many times 1/(focal length) s and, on menus
    that step in stops from there, how many stops faster (+) or slower (-), rounded to the faster side.

    `past`: (stops slower, keep rate there; None = not measured), where the ISO has reached its end.
    """

    focal_mm: float
    shutter_s: float
    multiple: float
    multiple_35mm: float
    menu_stops: int
    binds: str
    past: tuple[tuple[int, float | None], ...]
    because: Because


@dataclass(frozen=True)
class AutoIso:
    """The entries of the menu. `iso_max` is exact; `subject` what the shutter freezes besides the hands; `notes` tell
    what was not read of the kit."""

    iso_max: float
    noise: Because
    snr_past: tuple[tuple[int, float | None], ...]
    shutters: tuple[SlowestShutter, ...]
    subject: str
    notes: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON, settings as marked."""
        return {
            "schema": SCHEMA,
            "iso_max": nominal_iso(self.iso_max),
            "iso_basis": self.noise.basis,
            "iso_past": [{"stops": stops, "snr": snr} for stops, snr in self.snr_past],
            "subject": self.subject,
            "slowest_shutter": [
                {
                    "focal_mm": item.focal_mm,
                    "shutter_s": nominal_shutter_s(item.shutter_s),
                    "times_one_over_focal_length": item.multiple,
                    "times_one_over_focal_length_35mm": item.multiple_35mm,
                    "menu_stops": item.menu_stops,
                    "binds": item.binds,
                    "basis": item.because.basis,
                    "past": [{"stops": stops, "keep_rate": keep} for stops, keep in item.past],
                }
                for item in self.shutters
            ],
            "cautions": list(self.notes),
        }

    def text(self) -> str:
        """Return the three entries in words."""
        lines = ["Automatic ISO: what to enter", ""]
        lines += wrapped(
            f"1. Highest ISO: {nominal_iso(self.iso_max):.0f} ({self.noise.basis}: {self.noise.text}).", "", "   "
        )
        lines += wrapped(
            f"2. Slowest shutter, for a subject {self.subject} (a menu takes a time, or steps from 1/(focal length)):",
            "",
            "   ",
        )
        for item in self.shutters:
            menu = f"{item.menu_stops:+d}" if item.menu_stops else "0"
            same = abs(item.multiple - 1) < 0.05
            how = "that is" if same else f"{item.multiple:.2g} times as fast as"
            decide = "decides" if item.binds == "the subject" else "decide"
            said = (
                f"{item.focal_mm:g} mm: {format_shutter(item.shutter_s)}, {how} 1/{item.focal_mm:g} s "
                f"(menu step {menu}, + is faster); {item.binds} {decide} ({item.because.basis})"
            )
            lines += wrapped(said, "   ", "     ")
        lines += wrapped(
            "3. Past it, when the highest ISO is reached: a camera either keeps the time and the picture gets darker, "
            "or slows the shutter. Slower costs sharp frames:",
            "",
            "   ",
        )
        told = [_past_words(item) for item in self.shutters]
        if len(set(told)) == 1 and len(told) > 1:
            lines += wrapped(f"at each focal length: {told[0]}", "   ", "     ")
        else:
            for item, said in zip(self.shutters, told, strict=True):
                lines += wrapped(f"{item.focal_mm:g} mm: {said}", "   ", "     ")
        known = [(stops, snr) for stops, snr in self.snr_past if snr is not None]
        if known:
            costs = "; ".join(f"{stops} stop{'s' if stops > 1 else ''} higher SNR {snr:.1f}" for stops, snr in known)
            lines += wrapped(f"A higher ISO instead: {costs} at mid-grey.", "   ", "     ")
        lines.append("")
        decided = {item.because.text: item.because for item in self.shutters}
        for because in decided.values():
            run = f" [{because.run}]" if because.run else ""
            lines += wrapped(f"{because.basis}: {because.text}{run}", "  ", "    ")
        for note in self.notes:
            lines += wrapped(f"Caution: {note}", "", "  ")
        return "\n".join(lines) + "\n"


def _past_words(item: SlowestShutter) -> str:
    if all(keep is None for _, keep in item.past):
        return "how many frames stay sharp is not known; kitgauge brief handheld-shutter measures it"
    return "; ".join(
        f"{format_shutter(item.shutter_s * 2**stops)} keeps {percent(keep)}"
        for stops, keep in item.past
        if keep is not None
    )


def auto_iso(
    request: PlanRequest | None = None,
    limits: Sequence[AcceptedLimit] = (),
    camera: CameraFacts | None = None,
    model: KitModel | None = None,
) -> AutoIso:
    """Return the entries for the focal length of `request`, else for those the hands were measured at, else the usual.

    The light of `request` is not used. Raises what `make_plan` raises.
    """
    asked = replace(request or PlanRequest(), light=None, ev100=0.0).checked()
    facts = (camera or CameraFacts()).exact()
    model = model or KitModel()
    available = dials(facts)
    focals = [asked.focal_mm] if asked.focal_mm is not None else _focals(limits)
    shutters = []
    for focal_mm in focals:
        inputs = resolve(replace(asked, focal_mm=focal_mm), limits, facts, model)
        motion = inputs.motion
        time_s = wanted_shutter_s(motion, available)
        to_35mm = FULL_FRAME_DIAGONAL_MM / inputs.frame_diagonal_mm
        limit_s = min(motion.hands_cap_s, motion.subject_cap_s)
        multiple = 1 / ((limit_s if motion.freezes(limit_s) else time_s) * focal_mm)
        by_subject = motion.subject_cap_s < motion.hands_cap_s
        shutters.append(
            SlowestShutter(
                focal_mm,
                time_s,
                multiple,
                multiple / to_35mm,
                math.ceil(math.log2(multiple) - _MENU_SLACK_STOPS),
                "the subject" if by_subject else "your hands",
                tuple((stops, motion.expected_keep_rate(time_s * 2**stops)) for stops in _PAST_STOPS),
                inputs.subject if by_subject else inputs.hands,
            )
        )
    noise = inputs.noise
    iso = usable_iso(noise.iso_limit, available)
    past = []
    for stops in _PAST_STOPS:
        snr, _, _ = noise.snr(iso * 2**stops)
        past.append((stops, None if math.isnan(snr) else snr))
    words = {"still": "holding still", "moving": "moving", "fast": "moving fast"}
    subject = words.get(str(asked.subject), f"'{asked.subject}'")
    return AutoIso(iso, noise.because, tuple(past), tuple(shutters), subject)


def _focals(limits: Sequence[AcceptedLimit]) -> list[float]:
    measured = {item.limit.focal_mm for item in limits if item.limit.kind in ("shutter", "f_number")}
    return sorted(focal for focal in measured if focal is not None) or list(_USUAL_FOCAL_MM)
