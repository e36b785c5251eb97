"""Shutter times and apertures against their labels, from electrons per labelled exposure in flats of steady light."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kitgauge.exposure import format_f_number, format_shutter
from kitgauge.fit.noise.flat_levels import colours, flat_levels, light_scatter
from kitgauge.measure.noise.noise_points import PlanePairs

_LN2 = math.log(2.0)
# Frames of one setting agree no better than this [stops] (common practice, no source): two that happen to agree prove
# no steadier light
_LEAST_DRIFT_STOPS = 0.001
_NEGLIGIBLE = 1e-12  # variance [stops^2] that keeps errors of 0 invertible
# Departures less well known than this [stops] are no part of a sentence on all of them
_KNOWN_STOPS = 0.1
_MOST_TOLD = 3  # settings in one sentence


@dataclass(frozen=True)
class SettingDeparture:
    """How much more light a marked shutter time or f-number lets through than its label says, against the mean of those
    used [stops]."""

    setting: float
    departure_stops: float
    stderr_stops: float

    def errors(self) -> dict[str, float]:
        """Return departure and standard error as plain values."""
        return {"departure_stops": self.departure_stops, "stderr_stops": self.stderr_stops}


@dataclass(frozen=True)
class SettingsAccuracy:
    """Departures of the settings used, and levels per labelled exposure [DN per second at f/1] by ISO."""

    shutter: tuple[SettingDeparture, ...]
    aperture: tuple[SettingDeparture, ...]
    light_drift_stops: float
    dn_per_exposure: Mapping[float, float]
    text: str


@dataclass(frozen=True)
class _Seen:
    """Light seen in the flats of one setting at one ISO: log2 of electrons per labelled exposure."""

    iso: float
    shutter_s: float
    f_number: float
    log2_light: float
    log2_dn: float


def settings_accuracy(
    gains: Mapping[float, tuple[float, float]], planes: Mapping[float, Sequence[PlanePairs]], channel: str = "G"
) -> SettingsAccuracy:
    """Return how shutter times and apertures depart from their labels.

    Parameters
    ----------
    gains : by ISO: gain [e-/DN] and its standard error
    planes : by ISO: the flats with their settings

    log2 of electrons per labelled exposure is a constant plus a departure per shutter time plus one per f-number, by
    weighted least squares, the weighted mean of each kind being 0. An error is made of the light's drift and of the
    gain, which is common to all flats of an ISO value. Drift is the scatter of frames of one setting, or, where
    greater, of one setting met at several ISO values; it is not divided by the number of frames, as the light moves on
    between settings too: errors are on the generous side. Settings that always change together cannot be told apart:
    neither is given.
    """
    seen: list[_Seen] = []
    frames: list[tuple[float, ...]] = []
    for iso, (gain, error) in sorted(gains.items()):
        if not (gain > 0 and math.isfinite(error)):
            continue
        for one in flat_levels(colours(planes.get(iso, ())).get(channel, [])):
            dn = math.log2(one.mean_dn / one.exposure_s)
            seen.append(_Seen(iso, one.shutter_s, one.f_number, dn + math.log2(gain), dn))
            frames.append(one.levels_dn)
    by_iso = {iso: float(np.mean([2.0**s.log2_dn for s in seen if s.iso == iso])) for iso in {s.iso for s in seen}}
    scatter, freedom = light_scatter(frames)
    errors = {iso: gains[iso][1] / gains[iso][0] / _LN2 for iso in by_iso}
    drift = max(scatter / _LN2, _LEAST_DRIFT_STOPS) if freedom else math.nan
    drift = _with_repeats(seen, errors, drift)
    shutters, f_numbers = sorted({s.shutter_s for s in seen}), sorted({s.f_number for s in seen})
    if len(shutters) < 2 and len(f_numbers) < 2:
        text = "Flats of one shutter time and aperture tell nothing of their accuracy." if seen else ""
        return SettingsAccuracy((), (), drift, by_iso, text)
    if not _separable(seen):
        text = "Shutter time and aperture changed together in the flats: which of them departs cannot be told."
        return SettingsAccuracy((), (), drift, by_iso, text)
    shutter, aperture = _departures(seen, errors, drift, shutters, f_numbers)
    return SettingsAccuracy(shutter, aperture, drift, by_iso, _sentence(shutter, aperture, drift))


def _with_repeats(seen: Sequence[_Seen], errors: Mapping[float, float], drift: float) -> float:
    """Return the drift, widened where one setting met at several ISO values scatters by more than gains explain."""
    squares, explained, freedom = 0.0, 0.0, 0
    for setting in {(s.shutter_s, s.f_number) for s in seen}:
        same = [s for s in seen if (s.shutter_s, s.f_number) == setting]
        if len(same) > 1:
            values = np.array([s.log2_light for s in same])
            squares += float(((values - values.mean()) ** 2).sum())
            explained += (len(same) - 1) * float(np.mean([errors[s.iso] ** 2 for s in same]))
            freedom += len(same) - 1
    if not freedom:
        return drift
    long_term = math.sqrt(max(squares - explained, 0.0) / freedom)
    return long_term if math.isnan(drift) else max(drift, long_term)


def _separable(seen: Sequence[_Seen]) -> bool:
    """Tell whether times and f-numbers are linked by shared settings, so that no shift of some of one can be made good
    by some of the other."""
    reached, left = {("t", seen[0].shutter_s)}, list(seen)
    while True:
        touching = [s for s in left if ("t", s.shutter_s) in reached or ("N", s.f_number) in reached]
        if not touching:
            return not left
        for s in touching:
            reached |= {("t", s.shutter_s), ("N", s.f_number)}
            left.remove(s)


def _departures(
    seen: Sequence[_Seen],
    errors: Mapping[float, float],
    drift: float,
    shutters: Sequence[float],
    f_numbers: Sequence[float],
) -> tuple[tuple[SettingDeparture, ...], tuple[SettingDeparture, ...]]:
    """Return departures per shutter time and per f-number, the weighted mean of each kind 0: one setting that is hardly
    known must not blur the others."""
    times, stops = len(shutters), len(f_numbers)
    design = np.zeros((len(seen), 1 + times + stops))
    design[:, 0] = 1.0
    for row, s in enumerate(seen):
        design[row, 1 + shutters.index(s.shutter_s)] = 1.0
        design[row, 1 + times + f_numbers.index(s.f_number)] = 1.0
    steady = drift**2 if math.isfinite(drift) else 0.0
    certain = np.array([1.0 / (steady + errors[s.iso] ** 2 + _NEGLIGIBLE) for s in seen])
    weights = certain @ design
    # the constraints as a basis: the best known setting of each kind makes good for the others
    basis = np.zeros((1 + times + stops, times + stops - 1))
    basis[0, 0] = 1.0
    basis[1 : 1 + times, 1:times] = _mean_of_zero(weights[1 : 1 + times])
    basis[1 + times :, times:] = _mean_of_zero(weights[1 + times :])
    covariance = np.diag(np.full(len(seen), steady + _NEGLIGIBLE))
    for i, a in enumerate(seen):
        for j, b in enumerate(seen):
            covariance[i, j] += errors[a.iso] ** 2 if a.iso == b.iso else 0.0
    inverse = np.linalg.inv(covariance)
    reduced = design @ basis
    spread = np.linalg.inv(reduced.T @ inverse @ reduced)
    solution = basis @ (spread @ (reduced.T @ inverse @ np.array([s.log2_light for s in seen])))
    stderr = np.sqrt(np.diag(basis @ spread @ basis.T))
    if math.isnan(drift):
        stderr = np.full_like(stderr, math.nan)

    def listed(settings: Sequence[float], first: int) -> tuple[SettingDeparture, ...]:
        if len(settings) < 2:
            return ()
        return tuple(
            SettingDeparture(setting, float(solution[first + i]), float(stderr[first + i]))
            for i, setting in enumerate(settings)
        )

    return listed(shutters, 1), listed(f_numbers, 1 + times)


def _mean_of_zero(weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a basis (setting, free parameter) of departures whose weighted mean is 0."""
    best = int(np.argmax(weights))
    basis = np.insert(np.eye(len(weights) - 1), best, 0.0, axis=0)
    basis[best] = -np.delete(weights, best) / weights[best]
    return np.asarray(basis)


def _sentence(shutter: Sequence[SettingDeparture], aperture: Sequence[SettingDeparture], drift: float) -> str:
    if math.isnan(drift):
        return "How steady the light was is not known (one flat per setting): errors of shutter times are not given."
    told = [
        f"{label(one.setting)} lets through {abs(one.departure_stops):.2f} ± {one.stderr_stops:.2f} stops "
        f"{'more' if one.departure_stops > 0 else 'less'} light than its label says"
        for settings, label in ((shutter, format_shutter), (aperture, format_f_number))
        for one in settings
        if abs(one.departure_stops) > max(3.0 * one.stderr_stops, 0.02)
    ]
    known = [abs(one.departure_stops) for one in (*shutter, *aperture) if one.stderr_stops < _KNOWN_STOPS]
    if not known:
        return "Shutter times and apertures could not be measured well enough to tell departures from their labels."
    if len(told) > _MOST_TOLD:
        told = [*told[:_MOST_TOLD], f"and {len(told) - _MOST_TOLD} more"]
    found = "; ".join(told) if told else f"Settings keep to their labels within {max(*known, 0.01):.2f} stops"
    return (
        f"{found} (against the mean; the light scattered by {drift:.3f} stops between frames of one setting). "
        "Light that drifted slowly over the series would look the same."
    )
