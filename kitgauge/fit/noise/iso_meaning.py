"""What the ISO values of a camera mean: amplified or made digitally, how sensitive against one another, and what the
flats tell of shutter times and apertures.

At one ISO a sample's value is electrons over gain; quantum efficiency being one and the same, sensitivities stand to
each other as the inverse gains [e-/DN]. That needs no steady light. Level per labelled exposure t/N^2 (exact settings)
tells the same, times whatever shutter, aperture and light do. So in a ladder where time and ISO change together
the gain tells ISO, and electrons per labelled exposure (level times gain) tell the time. Slow drift of the light over
the series looks the same as shutter times that are off: only repeats of one setting show it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from kitgauge.exposure import exact_iso, nominal_iso
from kitgauge.fit.noise.noise_iso import DIGITAL, MISLABELLED_STOPS, NoiseFit, code_scale
from kitgauge.fit.noise.shutter_accuracy import SettingDeparture, SettingsAccuracy, settings_accuracy
from kitgauge.measure.noise.noise_points import NoisePoint, PlanePairs

# Gains nearer than this [stops] are one and the same amplification
_SAME_GAIN_STOPS = 0.03
_SAME_READ_NOISE = 0.05  # share by which read noise [DN] of the same samples may differ
# A departure from the label is worth a sentence above this [stops], if it is above 3 standard errors
_WORTH_TELLING_STOPS = 0.05
_LN2 = math.log(2.0)


@dataclass(frozen=True)
class IsoValue:
    """What one labelled ISO value is. Stops are relative to `IsoMeaning.base_iso`; NaN unknown.

    `kind`: "amplified", "pushed" or "pulled" (digitally, from `made_from_iso`), "same as" (the raw samples of
    `made_from_iso` under another label). `evidence`: "gain", "codes" or "read noise". `from_level_stops` is the
    sensitivity seen in levels per labelled exposure, which shutter and light are part of.
    """

    iso: float
    relative_stops: float
    relative_stops_stderr: float
    labelled_stops: float
    departure_stops: float
    departure_stderr: float
    kind: str
    made_from_iso: float | None
    evidence: str
    from_level_stops: float
    from_level_stops_stderr: float
    text: str

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return dict(vars(self))


@dataclass(frozen=True)
class IsoMeaning:
    """What the labels mean: ISO values, shutter times, apertures. Departures are against the mean of those used."""

    base_iso: float | None
    values: tuple[IsoValue, ...]
    shutter: tuple[SettingDeparture, ...]
    aperture: tuple[SettingDeparture, ...]
    light_drift_stops: float  # between frames of one setting; NaN where no setting has two
    text: str

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "base_iso": self.base_iso,
            "values": [value.as_dict() for value in self.values],
            "shutter": [{"shutter_s": one.setting, **one.errors()} for one in self.shutter],
            "aperture": [{"f_number": one.setting, **one.errors()} for one in self.aperture],
            "light_drift_stops": self.light_drift_stops,
            "text": self.text,
        }


@dataclass(frozen=True)
class _Kind:
    kind: str = "amplified"
    source: float | None = None
    evidence: str = "gain"
    pushed_stops: float = math.nan


def iso_meaning(
    points: Sequence[NoisePoint],
    fit: NoiseFit | None,
    planes: Mapping[float, Sequence[PlanePairs]],
    channel: str = "G",
) -> IsoMeaning:
    """Return what ISO values, shutter times and apertures mean, from the points of `channel` and the flats of `planes`
    (by ISO).

    `base_iso` is the lowest amplified ISO value. Errors of relative sensitivity are those of the two gains.
    """
    chosen = sorted((p for p in points if p.channel == channel and p.gain_e_per_dn > 0), key=lambda p: p.iso)
    if not chosen:
        return IsoMeaning(None, (), (), (), math.nan, "No gain was measured: what ISO means here is not known.")
    kinds = _kinds(chosen, fit)
    base = next((p for p in chosen if kinds[p.iso].kind == "amplified"), chosen[0])
    accuracy = settings_accuracy({p.iso: (p.gain_e_per_dn, p.gain_e_per_dn_stderr) for p in chosen}, planes, channel)
    values = tuple(_value(p, base, kinds[p.iso], accuracy) for p in chosen)
    text = " ".join([*_told(values, base.iso), accuracy.text])
    return IsoMeaning(base.iso, values, accuracy.shutter, accuracy.aperture, accuracy.light_drift_stops, text)


def _kinds(points: Sequence[NoisePoint], fit: NoiseFit | None) -> dict[float, _Kind]:
    """Return what each ISO value is: by its codes, by its gain, by the pattern of read noise."""
    log_k = {p.iso: math.log2(p.gain_e_per_dn * exact_iso(p.iso)) for p in points}
    middle = float(np.median(list(log_k.values())))
    fair = [p for p in points if abs(log_k[p.iso] - middle) <= MISLABELLED_STOPS]
    whole = [p for p in fair if code_scale(p) is None and not DIGITAL & set(p.flags)]
    from_noise = {} if fit is None else dict(fit.made_from)
    out = {}
    for point in points:
        scale = code_scale(point)
        same = _same_samples(point, whole) if point not in fair else None
        if same is not None:
            out[point.iso] = _Kind("same as", same.iso)
        elif scale is not None:
            out[point.iso] = _scaled(point, scale, whole)
        elif DIGITAL & set(point.flags):
            out[point.iso] = _from_neighbour(point, "pulled" if "scaled-down" in point.flags else "pushed", whole)
        elif point.iso in from_noise:
            [source] = [p for p in points if p.iso == from_noise[point.iso]]
            stops = _stops(source.gain_e_per_dn, point.gain_e_per_dn)
            out[point.iso] = _Kind("pushed" if stops > 0 else "pulled", source.iso, "read noise", stops)
        else:
            out[point.iso] = _Kind()
    return out


def _same_samples(point: NoisePoint, others: Sequence[NoisePoint]) -> NoisePoint | None:
    """Return the point whose gain and read noise [DN] this mislabelled one shares."""
    for other in sorted(others, key=lambda p: abs(_stops(p.gain_e_per_dn, point.gain_e_per_dn))):
        error = math.hypot(_relative_error(point), _relative_error(other)) / _LN2
        alike = abs(_stops(other.gain_e_per_dn, point.gain_e_per_dn)) < max(_SAME_GAIN_STOPS, 3.0 * error)
        quiet = abs(point.read_noise_dn / other.read_noise_dn - 1.0) < _SAME_READ_NOISE
        if alike and (quiet or math.isnan(point.read_noise_dn)):
            return other
    return None


def _from_neighbour(point: NoisePoint, kind: str, whole: Sequence[NoisePoint]) -> _Kind:
    """Return the kind of a point whose codes show that it is scaled, but not by how much: from the next amplified
    ISO."""
    beside = [p for p in whole if (p.iso < point.iso) == (kind == "pushed") and p.iso != point.iso]
    source = min(beside, key=lambda p: abs(math.log(p.iso / point.iso)), default=None)
    if source is None:
        return _Kind(kind, None, "codes")
    return _Kind(kind, source.iso, "codes", _stops(source.gain_e_per_dn, point.gain_e_per_dn))


def _scaled(point: NoisePoint, scale: float, whole: Sequence[NoisePoint]) -> _Kind:
    """Return the kind of a point whose codes show a scaling: made from the ISO with the gain before it."""
    stops = math.log2(scale)
    kind = "pushed" if stops > 0 else "pulled"
    before = point.gain_e_per_dn * scale
    near = min(whole, key=lambda p: abs(_stops(p.gain_e_per_dn, before)), default=None)
    if near is not None and abs(_stops(near.gain_e_per_dn, before)) < MISLABELLED_STOPS and near.iso != point.iso:
        return _Kind(kind, near.iso, "codes", stops)
    return _Kind(kind, nominal_iso(exact_iso(point.iso) / scale), "codes", stops)


def _value(point: NoisePoint, base: NoisePoint, kind: _Kind, accuracy: SettingsAccuracy) -> IsoValue:
    relative = _stops(base.gain_e_per_dn, point.gain_e_per_dn)
    labelled = math.log2(exact_iso(point.iso) / exact_iso(base.iso))
    error = 0.0 if point is base else math.hypot(_relative_error(point), _relative_error(base)) / _LN2
    seen = math.nan
    if point.iso in accuracy.dn_per_exposure and base.iso in accuracy.dn_per_exposure:
        seen = _stops(accuracy.dn_per_exposure[point.iso], accuracy.dn_per_exposure[base.iso])
    return IsoValue(
        iso=point.iso,
        relative_stops=relative,
        relative_stops_stderr=error,
        labelled_stops=labelled,
        departure_stops=relative - labelled,
        departure_stderr=error,
        kind=kind.kind,
        made_from_iso=kind.source,
        evidence=kind.evidence,
        from_level_stops=seen,
        from_level_stops_stderr=0.0 if point is base else math.sqrt(2.0) * accuracy.light_drift_stops,
        text=_sentence(point, base, kind, relative - labelled, error),
    )


def _sentence(point: NoisePoint, base: NoisePoint, kind: _Kind, departure: float, error: float) -> str:
    label = f"ISO {point.iso:g}"
    if kind.kind == "same as":
        return f"your {label} is ISO {kind.source:g} under another label: the raw samples are the same"
    if kind.kind != "amplified":
        source = "another value" if kind.source is None else f"ISO {kind.source:g}"
        amount = "" if math.isnan(kind.pushed_stops) else f" by {_amount(abs(kind.pushed_stops))}"
        return f"your {label} is {source} {kind.kind}{amount}"
    if point is base:
        return f"your {label} is what the others are compared with"
    if abs(departure) > max(_WORTH_TELLING_STOPS, 3.0 * error):
        way = "more" if departure > 0 else "less"
        return (
            f"your {label} is {abs(departure):.2f} stops {way} sensitive than its label says, against ISO {base.iso:g}"
        )
    return (
        f"your {label} is what its label says against ISO {base.iso:g}, within {max(abs(departure), error):.2f} stops"
    )


def _told(values: Sequence[IsoValue], base_iso: float) -> list[str]:
    """Return sentences on the values that are not what their labels say."""
    told = [value for value in values if value.kind != "amplified"]
    told += [
        value
        for value in values
        if value.kind == "amplified"
        and abs(value.departure_stops) > max(_WORTH_TELLING_STOPS, 3 * value.departure_stderr)
    ]
    if told:
        return [value.text[0].upper() + value.text[1:] + "." for value in told]
    largest = max(abs(value.departure_stops) for value in values)
    return [f"ISO values are what their labels say against ISO {base_iso:g}, within {max(largest, 0.01):.2f} stops."]


def _amount(stops: float) -> str:
    rounded = f"{stops:.1f}"
    return f"{rounded} stop" + ("" if rounded == "1.0" else "s")


def _stops(high: float, low: float) -> float:
    return math.log2(high / low)


def _relative_error(point: NoisePoint) -> float:
    return point.gain_e_per_dn_stderr / point.gain_e_per_dn
