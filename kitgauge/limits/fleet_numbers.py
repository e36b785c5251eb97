"""The main numbers of a run, for comparison with those of sibling units: ratios matter, so each goes by its log2."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from kitgauge.intervals import NORMAL_95

_LN2 = math.log(2.0)


@dataclass(frozen=True)
class MainNumber:
    """One number of one run: what it is, in which unit, value and standard error; `iso` where it is that of one ISO.

    `in_stops`: people think of it in stops rather than in percent.
    """

    name: str
    unit: str
    value: float
    stderr: float
    in_stops: bool = False
    iso: float | None = None

    @property
    def log2(self) -> tuple[float, float]:
        """The number as log2, with its standard error; NaN where unknown."""
        if not self.value > 0:
            return math.nan, math.nan
        return math.log2(self.value), self.stderr / (self.value * _LN2)


@dataclass(frozen=True)
class Measured:
    """What a run tells of a unit: `siblings` names what it can be compared with (None: not known), and its numbers."""

    siblings: str | None
    numbers: tuple[MainNumber, ...]


def main_numbers(curves: Mapping[str, Any]) -> Measured:
    """Return the main numbers in the content of curves.json, and whose siblings they can be compared with.

    Noise belongs to the body; sharpness to the lens on this kind of body; blur to whoever held it, with this body and
    lens and in this way. Developed pictures are compared with developed ones.
    """
    kit = _mapping(curves.get("kit"))
    body, lens = kit.get("body"), kit.get("lens")
    focal = f"{_number(kit.get('focal_mm')):g} mm" if _number(kit.get("focal_mm")) > 0 else None
    parts: list[object] = [body]
    numbers: list[MainNumber] = []
    if noise := _mapping(curves.get("noise")):
        numbers = _of_noise(noise)
    elif sharpness := _mapping(curves.get("sharpness")):
        numbers, parts = _of_sharpness(sharpness), [lens, body, focal]
    elif _mapping(curves.get("blur")):
        parts = [lens, body, focal, curves.get("technique") or "way of holding not told"]
    numbers += _of_limits(curves)
    known = all(parts)
    words = [str(part) for part in parts] + (["developed pictures"] if kit.get("developed") else [])
    return Measured(", ".join(words) if known else None, tuple(numbers))


def _of_noise(noise: Mapping[str, Any]) -> list[MainNumber]:
    found = []
    for point in _records(noise.get("points")):
        iso = _number(point.get("iso"))
        if point.get("channel") != "G" or not iso > 0:
            continue
        columns = [("gain", "e-/DN", "gain_e_per_dn"), ("read noise", "e-", "read_noise_e")]
        if point.get("saturation_source") == "flats":  # else it is the gain in other words
            columns.append(("saturation", "e-", "saturation_e"))
        for name, unit, key in columns:
            value, stderr = _number(point.get(key)), _number(point.get(f"{key}_stderr"))
            if value > 0:
                found.append(MainNumber(f"{name}, ISO {iso:g}", unit, value, stderr, iso=iso))
    return found


def _of_sharpness(sharpness: Mapping[str, Any]) -> list[MainNumber]:
    found = []
    for region, fit in _mapping(sharpness.get("fit")).items():
        part = _mapping(fit)
        value = _number(part.get("peak_mtf50_cy_per_px"))
        if value > 0:
            stderr = _number(part.get("peak_mtf50_cy_per_px_stderr"))
            found.append(MainNumber(f"best MTF50, {region}", "cy/px", value, stderr))
    return found


def _of_limits(curves: Mapping[str, Any]) -> list[MainNumber]:
    found: list[MainNumber] = []
    for limit in _records(curves.get("limits")):
        kind = limit.get("kind")
        key, name, unit = {"iso": ("iso", "ISO limit", "ISO"), "shutter": ("shutter_s", "shutter limit", "s")}.get(
            str(kind), ("", "", "")
        )
        value = _number(limit.get(key))
        if value > 0 and not limit.get("at_least") and not any(item.name == name for item in found):
            found.append(MainNumber(name, unit, value, _limit_stderr(limit, value), in_stops=True))
    return found


def _limit_stderr(limit: Mapping[str, Any], value: float) -> float:
    stops = _number(limit.get("stderr_stops"))
    low, high = _number(limit.get("ci_low")), _number(limit.get("ci_high"))
    if not stops > 0 and 0 < low < high:
        stops = math.log2(high / low) / (2.0 * NORMAL_95)
    return stops * value * _LN2


def compared(units: Mapping[str, Iterable[MainNumber]]) -> list[str]:
    """Return the names of the numbers in which siblings (unit -> numbers) are compared.

    Of those per ISO, only those at the lowest and the highest ISO that most units share: neighbouring ISO values say
    the same again.
    """
    units = {unit: tuple(numbers) for unit, numbers in units.items()}
    isos: dict[float, int] = {}
    for numbers in units.values():
        for iso in {number.iso for number in numbers if number.iso is not None}:
            isos[iso] = isos.get(iso, 0) + 1
    most = max(isos.values(), default=0)
    shared = [iso for iso, count in isos.items() if count == most]
    kept = {min(shared), max(shared)} if shared else set()
    names = dict.fromkeys(
        number.name for numbers in units.values() for number in numbers if number.iso is None or number.iso in kept
    )
    return list(names)


def _mapping(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _records(value: object) -> list[Mapping[str, Any]]:
    return [item for item in value if isinstance(item, Mapping)] if isinstance(value, list | tuple) else []


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else math.nan
