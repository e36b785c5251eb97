"""From a protocol and a camera's range to numbered shots with exact settings.

Shots come grouped by step, so that one thing changes at a time; a capped step runs down the ladder from the
value where the step before it ended.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from kitgauge.errors import ProtocolError
from kitgauge.exposure import MIDGREY_FRACTION_OF_SATURATION, ev100, f_number_dial, iso_dial, shutter_dial
from kitgauge.protocol.camera_range import CameraRange
from kitgauge.protocol.distance import Distance, target_distance
from kitgauge.protocol.marked import Setting, format_setting
from kitgauge.protocol.model import Exposure, Focusing, LightKind, Protocol, Role, Step
from kitgauge.protocol.sweep import ShutterSweep
from kitgauge.protocol.sweep_values import sweep_values

__all__ = ["CameraRange", "Guide", "Shot", "ShotList", "shot_list"]

SETTINGS: tuple[Setting, ...] = ("iso", "shutter_s", "f_number")
FOCUS_WORDS: dict[Focusing, str] = {
    "once": "",
    "each-frame": "focus again before each frame",
    "stepped": "one step of focus after each frame, near to far",
}
LIGHT_WORDS: dict[LightKind, str] = {"daylight": "in daylight", "tungsten": "in lamp light"}
SECONDS_PER_CHANGE = 6.0  # to turn a dial and check it; common practice, no source
_DIALS = {"iso": iso_dial(), "shutter_s": shutter_dial(), "f_number": f_number_dial()}

# EV at ISO 100 of everyday scenes: common practice, no source
_LIGHT_WORDS = (
    (14.5, "full sun"),
    (12.5, "thin cloud, or sun from behind"),
    (11.0, "an overcast sky"),
    (9.5, "open shade, or heavy cloud"),
    (8.5, "right beside a large window by day"),
    (6.5, "a bright room"),
    (4.5, "a room lit in the evening"),
    (-math.inf, "dim light"),
)


@dataclass(frozen=True)
class Guide:
    """Settings to start from in the light assumed, exact dial values; None where the light decides."""

    iso: float | None
    shutter_s: float | None
    f_number: float | None


@dataclass(frozen=True)
class Shot:
    """One numbered setting of a shot list.

    `step` is its unique label ("flat ISO 400", "f/5.6", "tripod 1/60"), `step_name` that of the protocol's
    step. `iso`, `shutter_s` [s] and `f_number` are exact (see `kitgauge.exposure`) and binding, None if
    free or metered. `match_by` names the settings that tell this shot from the others of its step. `guide`
    has all three settings as far as they can be worked out for the light assumed. `saturation` is the
    wanted level of the brightest colour in shares of saturation (low, high; above 1: clipped on purpose), None =
    not checked. `light` is the colour of light it needs, None = that of the whole series. `focus` is as in the
    protocol's step.
    """

    number: int
    step: str
    role: Role
    frames: int
    iso: float | None
    shutter_s: float | None
    f_number: float | None
    focal_mm: float | None
    note: str
    step_name: str
    match_by: tuple[Setting, ...]
    guide: Guide
    saturation: tuple[float, float] | None = None
    lens_cap: bool = False
    optional: bool = False
    light: LightKind | None = None
    focus: Focusing = "once"

    def setting_text(self, setting: Setting) -> str:
        """Return one setting in words: "ISO 400", "about 1/6" where light decides, "" where it is free."""
        binding: float | None = getattr(self, setting)
        if binding is not None:
            return format_setting(setting, binding)
        guide: float | None = getattr(self.guide, setting)
        return "" if guide is None else f"about {format_setting(setting, guide)}"


@dataclass(frozen=True)
class ShotList:
    """All shots of a protocol on one camera, with the time they need, the distance and what was assumed.

    `shots` are those that a complete run needs; `optional_shots` are worth having besides, and their time and frames
    are not in `minutes` and `frames`.
    """

    protocol: Protocol
    camera: CameraRange
    shots: tuple[Shot, ...]
    minutes: float
    distance: Distance | None
    distance_text: str
    light_text: str
    remarks: tuple[str, ...]
    optional_shots: tuple[Shot, ...] = ()
    optional_minutes: float = 0.0

    @property
    def frames(self) -> int:
        """Number of frames of all needed shots together."""
        return sum(shot.frames for shot in self.shots)

    @property
    def optional_frames(self) -> int:
        """Number of frames of all optional shots together."""
        return sum(shot.frames for shot in self.optional_shots)


def shot_list(protocol: Protocol, camera: CameraRange | None = None) -> ShotList:
    """Return the shots of `protocol` within the range of `camera` (default: a common range).

    Raises
    ------
    UsageError : no value of the sweep lies within the camera's range
    ProtocolError : a step's name makes two shots of one label
    """
    camera = camera or CameraRange()
    values, sweep_remarks = ((), ()) if protocol.sweep is None else sweep_values(protocol.sweep, camera)
    remarks = list(sweep_remarks)
    light, light_text = _light(protocol, camera, values)
    shots: list[Shot] = []
    for optional in (False, True):
        for step in protocol.step:
            step_values = _step_values(protocol, step, values, optional)
            if step.exposure.lens_cap and shots and not optional:
                step_values.reverse()
            for value in step_values:
                shots.append(_shot(protocol, step, value, camera, light, len(shots) + 1, remarks, optional))
    _require_unique_labels(shots)
    shots = _numbered(protocol, shots)
    needed = tuple(shot for shot in shots if not shot.optional)
    others = tuple(shot for shot in shots if shot.optional)
    distance = None if protocol.target is None else target_distance(protocol.target, camera)
    return ShotList(
        protocol=protocol,
        camera=camera,
        shots=needed,
        minutes=protocol.minutes_setup + _minutes(protocol, needed, optional=False),
        distance=distance,
        distance_text=distance.text if distance is not None else protocol.distance or "",
        light_text=light_text,
        remarks=tuple(dict.fromkeys(remarks)),
        optional_shots=others,
        optional_minutes=_minutes(protocol, others, optional=True),
    )


def _numbered(protocol: Protocol, shots: Sequence[Shot]) -> list[Shot]:
    """Return the shots with numbers that rise through the steps as they are shot, a step's optional ones last."""
    order = {step.label: index for index, step in enumerate(protocol.step)}
    in_order = sorted(shots, key=lambda shot: (order[shot.step_name], shot.optional, shot.number))
    numbers = {shot.step: number for number, shot in enumerate(in_order, start=1)}
    return [replace(shot, number=numbers[shot.step]) for shot in shots]


def _require_unique_labels(shots: Sequence[Shot]) -> None:
    """Refuse a name such as "flat 2 s" beside a step "flat" that makes a shot of that very label."""
    seen: set[str] = set()
    for shot in shots:
        if shot.step in seen:
            raise ProtocolError(
                "two shots have the same label",
                where=f"step {shot.step_name!r}",
                got=shot.step,
                needed="a label of its own for each shot",
                fix="give one of the steps another name",
            )
        seen.add(shot.step)


def _step_values(protocol: Protocol, step: Step, values: Sequence[float], optional: bool) -> list[float | None]:
    """Return the values of the sweep at which a step has needed or `optional` shots; [None] for one outside it."""
    own = optional == step.optional
    if step.at == "once":
        return [None] if own else []
    more = protocol.sweep.optional_values if isinstance(protocol.sweep, ShutterSweep) else ()
    extra = sorted(more) if optional and step.at == "each-value" else []
    return [*(_places(step, values) if own else []), *extra]


def _places(step: Step, values: Sequence[float]) -> list[float]:
    if not isinstance(step.at, tuple):
        return list(values)
    index = {"lowest": 0, "middle": (len(values) - 1) // 2, "highest": len(values) - 1}
    return [values[i] for i in sorted({index[place] for place in step.at})]


def _shot(
    protocol: Protocol,
    step: Step,
    value: float | None,
    camera: CameraRange,
    light: float | None,
    number: int,
    remarks: list[str],
    optional: bool,
) -> Shot:
    swept = protocol.setting
    binding = _binding(step.exposure, camera, remarks)
    match_by: tuple[Setting, ...]
    if value is not None and swept is not None:
        binding[swept] = value
        match_by = (swept,)
        text = format_setting(swept, value)
        label = text if len(protocol.step) == 1 else f"{step.label} {text}"
    else:
        label = step.label
        match_by = (swept,) if swept is not None and binding[swept] is not None else ()
    if step.light == "tungsten":  # the light assumed is that of the series
        light = None
    guide, trouble = _guide(step.exposure, binding, camera, light)
    notes = [_exposure_note(step.exposure, guide), FOCUS_WORDS[step.focus], trouble]
    if step.light is not None:
        notes.insert(0, LIGHT_WORDS[step.light])
    shutter_s = binding["shutter_s"]
    if shutter_s is not None and shutter_s > camera.bounds("shutter_s")[1] * (1 + 1e-6):
        notes.append("longer than the dial: bulb, timed with a remote release")
    return Shot(
        number=number,
        step=label,
        role=step.role,
        frames=step.frames,
        iso=binding["iso"],
        shutter_s=binding["shutter_s"],
        f_number=binding["f_number"],
        focal_mm=camera.focal_mm,
        note="; ".join(part for part in notes if part),
        step_name=step.label,
        match_by=match_by,
        guide=guide,
        saturation=step.exposure.saturation,
        lens_cap=step.exposure.lens_cap,
        optional=optional,
        light=step.light,
        focus=step.focus,
    )


def _binding(exposure: Exposure, camera: CameraRange, remarks: list[str]) -> dict[Setting, float | None]:
    """Return the settings that a step fixes, moved into the camera's range with a remark where outside."""
    settings: dict[Setting, float | None] = {}
    for setting in SETTINGS:
        rule: float | str | None = getattr(exposure, setting)
        low, high = camera.bounds(setting)
        if rule in ("base", "fastest", "widest"):
            settings[setting] = low
        elif isinstance(rule, float):
            within = min(max(rule, low), high)
            if abs(math.log2(within / rule)) > 1e-6:
                remarks.append(
                    f"{format_setting(setting, rule)} is outside this camera's range: "
                    f"{format_setting(setting, within)} instead."
                )
            settings[setting] = within
        else:
            settings[setting] = None
    return settings


def _level_stops(exposure: Exposure) -> float:
    """Return how far above the meter's mid-grey the wanted level lies [stops]; 0 where none is asked for.

    Mid-grey is 10/78 of saturation (ISO 12232); the wanted level is the geometric mean of the range, which
    lies as many stops from one end as from the other.
    """
    if exposure.saturation is None or exposure.saturation[0] <= 0:
        return 0.0
    low, high = exposure.saturation
    return math.log2(math.sqrt(low * high) / MIDGREY_FRACTION_OF_SATURATION)


def _light(protocol: Protocol, camera: CameraRange, values: Sequence[float]) -> tuple[float | None, str]:
    """Return the light as EV at ISO 100 and in words: as given, else as the protocol or the ladder asks."""
    if camera.light_ev100 is not None:
        return camera.light_ev100, f"EV {camera.light_ev100:.1f} at ISO 100, as given."
    if protocol.light is not None:
        return protocol.light.ev100, (
            f'Settings marked "about" are for EV {protocol.light.ev100:g} at ISO 100 '
            f"({protocol.light.text}). In other light, set what the meter says"
            f"{_above_meter(protocol.step[0].exposure)}."
        )
    for step in protocol.step:
        needed = _light_for_base_iso(protocol, step, camera, values)
        if needed is not None:
            words = next(text for lowest, text in _LIGHT_WORDS if needed >= lowest)
            return needed, (
                f"Best in light of about EV {needed:.0f} at ISO 100 ({words}): then the lowest ISO serves at "
                "the slowest shutter speed. In less light every ISO rises by the same number of stops; in "
                "more, use a higher f-number for the whole series."
            )
    return None, ""


def _light_for_base_iso(protocol: Protocol, step: Step, camera: CameraRange, values: Sequence[float]) -> float | None:
    """Return the light [EV at ISO 100] in which the lowest ISO exposes the slowest time of a ladder."""
    if protocol.setting != "shutter_s" or not values or step.exposure.balanced_by != "iso":
        return None
    f_number = _binding(step.exposure, camera, [])["f_number"]
    if f_number is None:
        return None
    return ev100(f_number, values[-1], camera.bounds("iso")[0]) + _level_stops(step.exposure)


def _guide(
    exposure: Exposure, binding: dict[Setting, float | None], camera: CameraRange, light: float | None
) -> tuple[Guide, str]:
    """Return all settings as far as the light decides them, and what is wrong with the light ("" if nothing).

    N^2/t = 2^EV S/100 (ISO 2720, through `exposure.ev100`), raised by the level wanted.
    """
    guide = Guide(**binding)
    follows = exposure.balanced_by
    if light is None or follows in (None, "light") or exposure.lens_cap:
        return guide, ""
    assert follows is not None and follows != "light"
    known = {setting: binding[setting] for setting in SETTINGS if setting != follows}
    iso, shutter_s, f_number = known.get("iso"), known.get("shutter_s"), known.get("f_number")
    light_level = 2.0 ** (light - _level_stops(exposure))
    if follows == "iso" and shutter_s is not None and f_number is not None:
        wanted = 100.0 * f_number**2 / (shutter_s * light_level)
    elif follows == "shutter_s" and iso is not None and f_number is not None:
        wanted = 100.0 * f_number**2 / (iso * light_level)
    elif follows == "f_number" and iso is not None and shutter_s is not None:
        wanted = math.sqrt(shutter_s * iso * light_level / 100.0)
    else:
        return guide, ""
    dial = _DIALS[follows]
    low, high = camera.bounds(follows)
    # half a third of a stop beyond the end of the dial still rounds to the end
    slack = 2.0 ** (1 / 6 / dial.stops_per_factor)
    if not low / slack <= wanted <= high * slack:
        end = low if wanted < low else high
        stops = dial.stops_per_factor * abs(math.log2(wanted / end))
        bright = (wanted < low) != (follows == "f_number")
        return guide, f"{'too bright' if bright else 'too dark'} by {stops:.1f} stops in this light"
    exact = min(max(dial.exact[dial.nearest(wanted)], low), high)
    settings = {**binding, follows: exact}
    return Guide(iso=settings["iso"], shutter_s=settings["shutter_s"], f_number=settings["f_number"]), ""


def _exposure_note(exposure: Exposure, guide: Guide) -> str:
    if exposure.lens_cap:
        return "lens cap on"
    follows = exposure.balanced_by
    if follows is None:
        return ""
    if follows == "light":
        return "keep the exposure by changing the light"
    value: float | None = getattr(guide, follows)
    if value is not None:
        return ""
    name = {"iso": "ISO", "shutter_s": "shutter", "f_number": "aperture"}[follows]
    return f"{name} by the meter" + _above_meter(exposure)


def _above_meter(exposure: Exposure) -> str:
    thirds = round(3 * _level_stops(exposure))
    if thirds == 0:
        return ""
    whole, rest = divmod(abs(thirds), 3)
    amount = " ".join(part for part in (str(whole) if whole else "", ("", "1/3", "2/3")[rest]) if part)
    return f", {'+' if thirds > 0 else '-'}{amount} {'stop' if abs(thirds) <= 3 else 'stops'}"


def _minutes(protocol: Protocol, shots: Sequence[Shot], *, optional: bool) -> float:
    """Return the time for `shots` without the set-up of the whole protocol [minutes]."""
    steps = {step.label: step for step in protocol.step}
    seconds = 60.0 * sum(step.minutes_setup for step in protocol.step if step.optional == optional)
    for shot in shots:
        exposure_s = shot.guide.shutter_s or 0.0
        seconds += SECONDS_PER_CHANGE + shot.frames * (steps[shot.step_name].seconds_per_frame + exposure_s)
    return seconds / 60.0
