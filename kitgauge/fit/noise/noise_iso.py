"""Gain and read noise against ISO, with one or two gain stages.

Gain [e-/DN] falls as g = k / ISO. Read noise referred to the photosite has a part from before the amplifier
and one from after it, which a higher amplification makes smaller: sigma_r^2 = sigma_0^2 + (sigma_1 g)^2,
sigma_0 in e-, sigma_1 in DN. A photosite with two conversion gains has a smaller sigma_0 from the ISO on at
which it switches; what comes after the amplifier, sigma_1 in DN, stays the same, while k may step because the
two gains are only nominally calibrated to one another. (Model: photon transfer, common to sensor literature;
from memory.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from kitgauge.errors import FitError
from kitgauge.exposure import percent
from kitgauge.fit.noise.noise_invariance import INVARIANCE_STOPS as INVARIANCE_STOPS
from kitgauge.fit.noise.noise_invariance import invariance
from kitgauge.fit.noise.noise_stages import BIC_NEEDED as BIC_NEEDED
from kitgauge.fit.noise.noise_stages import (
    DEPARTURE,
    MODEL_HOLDS,
    PATTERN_BIC_NEEDED,
    Selection,
    Vector,
    bic_needed,
    non_negative,
    select,
)
from kitgauge.fit.result import FitResult
from kitgauge.measure.noise.noise_points import NoisePoint

LEAST_POINTS = 3
# An ISO value this far from k / ISO [stops] is not the amplification that its label says (thirds are 0.33 apart)
MISLABELLED_STOPS = 0.17
# Flags of ISO values whose read noise is not that of the amplifier; and of those whose file was worked on, which are
# left out while this many others stay
DIGITAL = frozenset({"missing-codes", "scaled-down"})
_WORKED_ON = {
    "correlated-noise": "noise-reduced in the file",
    "neighbour-filtered": "noise-reduced in the file",
    "dark-subtracted": "a dark frame was subtracted in the camera",
}
_ENOUGH_POINTS = 5
# Above this chi-square per degree of freedom the points refute the model, whatever amplifiers do
REFUTED = 20.0
# A scaling of codes by less than this [stops] is none
SCALED_STOPS = 0.02


@dataclass(frozen=True)
class NoiseFit:
    """Read noise and gain against ISO for one channel.

    `result` holds sigma_0 (or sigma_0_low_iso and sigma_0_high_iso) [e-] and sigma_1 [DN]; `gain` holds k (or
    k_low_iso and k_high_iso) [e-/DN times ISO]. `dual_gain_iso` is the first measured ISO of the second
    stage, None where there is none. `invariance_iso` is the lowest ISO from which on no higher one lowers the
    noise of the shadows [e-], rounding included, by more than `INVARIANCE_STOPS`; None where it still falls at the
    highest measured ISO, or cannot be told. `departure` is how far the points are from the model beyond their own
    errors, as a share of read noise; the parameters' errors contain it. `made_from` lists ISO values that read
    noise shows to be made digitally from others: (ISO, ISO it is made from).
    """

    channel: str
    result: FitResult
    gain: FitResult
    dual_gain_iso: float | None
    invariance_iso: float | None
    invariance_iso_stderr: float
    invariance_text: str
    isos: tuple[float, ...] = ()  # of the points used, rising
    departure: float = 0.0
    made_from: tuple[tuple[float, float], ...] = ()
    evidence_text: str = ""

    def gain_e_per_dn(self, iso: float) -> float:
        """Return the fitted gain [e-/DN] at `iso`."""
        high = self.dual_gain_iso is not None and iso >= self.dual_gain_iso
        names = self.gain.names
        return self.gain.value(names[-1] if high else names[0]) / iso

    def read_noise_e(self, iso: float) -> float:
        """Return the fitted read noise [e-] at `iso`."""
        high = self.dual_gain_iso is not None and iso >= self.dual_gain_iso
        sigma_0 = self.result.values[-2] if high else self.result.values[0]
        return math.hypot(float(sigma_0), self.result.value("sigma_1") * self.gain_e_per_dn(iso))

    @property
    def split(self) -> int | None:
        """The index in `isos` of the first one of the second stage, None where there is none."""
        return None if self.dual_gain_iso is None else self.isos.index(self.dual_gain_iso)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for the files."""
        return {
            "channel": self.channel,
            **self.result.as_dict(),
            "gain": self.gain.as_dict(),
            "dual_gain_iso": self.dual_gain_iso,
            "invariance_iso": self.invariance_iso,
            "invariance_iso_stderr": self.invariance_iso_stderr,
            "invariance_stops": INVARIANCE_STOPS,
            "invariance_text": self.invariance_text,
            "departure": self.departure,
            "made_from": [list(pair) for pair in self.made_from],
            "evidence_text": self.evidence_text,
        }


def fit_noise_iso(points: Sequence[NoisePoint], channel: str = "G") -> NoiseFit:
    """Return the fit of gain and read noise against ISO of the points of `channel`.

    The regression is in variances, weighted by their standard errors, and linear in sigma_0^2 and sigma_1^2,
    which are kept at 0 or above. A stage needs two points; one, the first or the last, where it stands out far. Where
    the points scatter by more than their errors, a departure common to all (a share of read noise) is added, as much as
    makes chi-square equal to its degrees of freedom (random effects: Paule and Mandel 1982, from memory).
    FitError where fewer than three ISO values have a read noise.
    """
    chosen = sorted((p for p in points if p.channel == channel), key=lambda p: p.iso)
    reasons = _left_out(chosen)
    dropped = [(p, reason) for p, reason in zip(chosen, reasons, strict=True) if reason is not None]
    used = [p for p, reason in zip(chosen, reasons, strict=True) if reason is None]
    isos = [p.iso for p in used]
    if len(set(isos)) < LEAST_POINTS:
        why = "; ".join(f"ISO {p.iso:g}: {reason}" for p, reason in dropped)
        raise FitError(
            "too few ISO values with gain and read noise to fit noise against ISO",
            where=f"channel {channel}",
            got=f"{len(set(isos))}" + (f" ({why})" if why else ""),
            needed=f"at least {LEAST_POINTS}",
            fix="shoot a flat pair and a dark pair at more ISO values",
        )
    variances = np.array([p.read_noise_e**2 for p in used])
    # before sigma_0 is known all of the read noise stands for it: errors on the generous side
    errors = np.array([_variance_stderr(p, p.read_noise_e**2) for p in used])
    known = bool(np.all(np.isfinite(errors) & (errors > 0)))
    gains = np.array([p.gain_e_per_dn * (code_scale(p) or 1.0) for p in used])
    selection = select(isos, gains, variances, errors if known else np.full_like(variances, np.nan))
    sources = selection.chosen.pattern.sources
    split = selection.chosen.split
    while split is not None and split < len(used) - 1 and sources[split] is not None:
        split += 1  # a second stage begins with an ISO value of its own
    amplifier = selection.chosen.pattern.amplifier_gains(gains)
    high = np.arange(len(used)) >= (len(used) if selection.chosen.split is None else selection.chosen.split)
    result, departure = _fit_read_noise(used, amplifier, variances, high, known)
    result = _with_story(result, selection, isos, dropped)
    gain = _fit_gain(used, split)
    found = invariance(result, gain, isos, split)
    return NoiseFit(
        channel=channel,
        result=result,
        gain=gain,
        dual_gain_iso=None if split is None else float(isos[split]),
        invariance_iso=found.iso,
        invariance_iso_stderr=found.stderr,
        invariance_text=found.text,
        isos=tuple(float(iso) for iso in isos),
        departure=departure,
        made_from=tuple(
            (float(iso), float(isos[source])) for iso, source in zip(isos, sources, strict=True) if source is not None
        ),
        evidence_text=_evidence_text(selection, isos, departure, result.reduced_chi_square),
    )


def code_scale(point: NoisePoint) -> float | None:
    """Return the factor by which this point's samples were multiplied digitally, as their codes show; None for none,
    or none known."""
    scale = point.code_scale
    return scale if scale > 0 and abs(math.log2(scale)) > SCALED_STOPS else None


def _left_out(points: Sequence[NoisePoint]) -> list[str | None]:
    """Return why each point cannot serve the fit, None where it can.

    A digitally scaled ISO has no amplification of its own and does not follow the model; where that leaves
    too few points, the whole file is scaled, and all are kept. Noise reduction that sets in at some ISO would pass
    for a second stage.
    """
    reasons: list[str | None] = [
        "no gain" if not p.gain_e_per_dn > 0 else "no read noise" if not p.read_noise_e > 0 else None for p in points
    ]
    digital = [
        "scaled digitally" if reason is None and (DIGITAL & set(p.flags) or code_scale(p) is not None) else reason
        for p, reason in zip(points, reasons, strict=True)
    ]
    if digital.count(None) >= LEAST_POINTS:
        reasons = digital
    worked_on = [
        next((_WORKED_ON[flag] for flag in p.flags if flag in _WORKED_ON), None) if reason is None else reason
        for p, reason in zip(points, reasons, strict=True)
    ]
    return worked_on if worked_on.count(None) >= _ENOUGH_POINTS else reasons


def _variance_stderr(point: NoisePoint, sigma_0_square: float) -> float:
    """Return the standard error of sigma_r^2 - (sigma_1 g)^2 [e-^2] for this point.

    sigma_r^2 is g^2 times a variance in DN whose error is its own; an error of g moves it and (sigma_1 g)^2
    together, and what does not cancel is 2 sigma_0^2 dg/g.
    """
    if math.isfinite(point.read_noise_dn_stderr):
        own = 2.0 * point.read_noise_dn * point.read_noise_dn_stderr * point.gain_e_per_dn**2
        return math.hypot(own, 2.0 * sigma_0_square * point.gain_e_per_dn_stderr / point.gain_e_per_dn)
    return 2.0 * point.read_noise_e * point.read_noise_e_stderr


def _fit_read_noise(
    points: Sequence[NoisePoint], gains: Vector, variances: Vector, high: np.ndarray, known: bool
) -> tuple[FitResult, float]:
    """Return the parameters of the chosen model and the departure of the points from it."""
    two = bool(high.any())
    columns = [~high * 1.0, high * 1.0, gains**2] if two else [np.ones(len(points)), gains**2]
    design = np.stack(columns, axis=1)
    count, parameters = design.shape
    freedom = count - parameters
    departures = np.concatenate([[0.0] if known else [], np.geomspace(1e-4, 1.0, 161)])
    fitted = variances
    sigma_0_square = variances
    for _ in range(4):
        # relative to the fitted read noise: relative to the measured one would favour the low points
        errors = np.array([_variance_stderr(p, float(q)) for p, q in zip(points, sigma_0_square, strict=True)])
        if not known:
            errors = np.zeros(count)
        scales = np.hypot(errors, 2.0 * departures[:, None] * fitted)
        _, chi_squares = non_negative(design[None], variances, scales)
        departure = _crossing(departures, chi_squares[0], freedom)
        scale = np.hypot(errors, 2.0 * departure * fitted)
        solved, _ = non_negative(design[None], variances, scale[None])
        squares = solved[0, 0]
        fitted = design @ squares
        sigma_0_square = np.where(high, squares[-2], squares[0])
    reduced = math.nan
    if known and freedom > 0:
        _, own = non_negative(design[None], variances, errors[None])
        reduced = float(own[0, 0]) / freedom
    free = squares > 0
    covariance = np.full((parameters, parameters), np.nan)
    weighted = (design / scale[:, None])[:, free]
    covariance[np.ix_(free, free)] = np.linalg.inv(weighted.T @ weighted)
    # standard deviations: d sigma = d(sigma^2) / (2 sigma); NaN at the bound 0
    values = np.sqrt(squares)
    slope = np.full_like(values, np.nan)
    np.divide(0.5, values, out=slope, where=free)
    covariance = slope[:, None] * covariance * slope[None, :]
    names = ("sigma_0_low_iso", "sigma_0_high_iso", "sigma_1") if two else ("sigma_0", "sigma_1")
    message = "" if known else "points without standard errors: equal relative weights, errors from the scatter"
    if known and departure > 0:
        message = f"the points depart from the model by {100 * departure:.2g} % of read noise: errors contain it"
    result = FitResult(
        model="sigma_r^2 = sigma_0^2 + (sigma_1 g)^2" + (", two stages" if two else ""),
        names=names,
        values=values,
        units=("e-",) * (parameters - 1) + ("DN",),
        stderr=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        degrees_of_freedom=freedom,
        reduced_chi_square=reduced,
        points_used=count,
        at_bound=tuple(name for name, is_free in zip(names, free, strict=True) if not is_free),
        message=message,
        errors_rescaled=not known or departure > 0,
    )
    return result, float(departure)


def _crossing(departures: Vector, chi_squares: Vector, freedom: int) -> float:
    """Return the departure at which chi-square has fallen to its degrees of freedom, linear between grid values."""
    if freedom <= 0 or chi_squares[0] <= freedom:
        return float(departures[0])
    index = min(int(np.argmax(chi_squares <= freedom)) or len(departures) - 1, len(departures) - 1)
    above, below = chi_squares[index - 1], chi_squares[index]
    share = (above - freedom) / (above - below) if above > below else 1.0
    return float(departures[index - 1] + min(share, 1.0) * (departures[index] - departures[index - 1]))


def _with_story(
    result: FitResult, selection: Selection, isos: Sequence[float], dropped: Sequence[tuple[NoisePoint, str]]
) -> FitResult:
    """Return the result with what was dropped and the evidence of the models compared."""
    one, two, other = selection.one_stage, selection.two_stages, selection.next_place
    evidence = {
        "log_likelihood_one_stage": one.log_likelihood,
        "aicc_one_stage": one.aicc,
        "bic_one_stage": one.bic,
    }
    if two is not None and two.split is not None:
        evidence |= {
            "log_likelihood_two_stages": two.log_likelihood,
            "aicc_two_stages": two.aicc,
            "bic_two_stages": two.bic,
            "bic_difference": one.bic - two.bic,
            "aicc_difference": one.aicc - two.aicc,
            "second_stage_iso": float(isos[two.split]),
        }
    if two is not None and other is not None and other.split is not None:
        evidence |= {"next_best_iso": float(isos[other.split]), "bic_next_best_difference": other.bic - two.bic}
    if selection.chosen.pattern.choices:
        evidence["bic_all_amplified_difference"] = selection.amplified.bic - selection.chosen.bic
        evidence["bic_pattern_needed"] = PATTERN_BIC_NEEDED
    needed = BIC_NEEDED if two is None else bic_needed(two, len(isos))
    evidence |= {"bic_needed": needed, "departure_expected": DEPARTURE}
    return replace(result, points_dropped=tuple(f"ISO {p.iso:g}: {reason}" for p, reason in dropped), evidence=evidence)


def _evidence_text(selection: Selection, isos: Sequence[float], departure: float, reduced_chi_square: float) -> str:
    """Return the evidence for or against a second stage in words."""
    two, other, chosen = selection.two_stages, selection.next_place, selection.chosen
    if two is None or two.split is None:
        text = "No second gain stage: at no ISO value does read noise step down clearly."
    else:
        place, difference = isos[two.split], selection.one_stage.bic - two.bic
        needed = bic_needed(two, len(isos))
        if chosen.split is None and selection.rival is not None:
            text = (
                f"No second gain stage is claimed: digital ISO values ({selection.rival.pattern.text}) explain the "
                f"points about as well as one from ISO {place:g} on would."
            )
        elif chosen.split is None:
            text = f"No second gain stage: the best place for one, ISO {place:g}, "
            text += (
                f"lowers BIC by {difference:.1f} only ({needed:g} needed)."
                if difference > 0
                else f"raises BIC by {-difference:.1f}."
            )
        else:
            text = f"A second gain stage from ISO {place:g} on lowers BIC by {difference:.0f} ({needed:g} needed)"
            if other is not None and other.split is not None:
                text += f"; the next best place, ISO {isos[other.split]:g}, has {other.bic - two.bic:.1f} more"
            text += "."
    if chosen.pattern.choices:
        text += (
            f" Read noise shows ISO values that are made digitally ({chosen.pattern.text}): "
            f"BIC lower by {selection.amplified.bic - chosen.bic:.0f} than with all of them amplified."
        )
    if departure > MODEL_HOLDS:
        text += f" The points depart from the model by {percent(departure)} of read noise: it describes them roughly."
        if chosen.split is None and reduced_chi_square > REFUTED:
            text += (
                f" Chi-square, {reduced_chi_square:.0f} times what their errors allow, refutes one stage as well: some "
                "points are wrong, or the camera works otherwise."
            )
    return text


def _fit_gain(points: Sequence[NoisePoint], split: int | None) -> FitResult:
    """Return k of g = k / ISO, per stage; its error from the scatter where that exceeds the points' own
    errors.

    ISO labels are nominal, so points scatter about k / ISO by more than their errors as a rule: the mean of
    log k is unweighted and the rescaling is recorded. An ISO value off by `MISLABELLED_STOPS` from the middle one (a
    "low" value that is the base ISO under another name) is left out.
    """
    log_k = np.log([p.gain_e_per_dn * p.iso for p in points])
    fair = np.abs(log_k - np.median(log_k)) <= MISLABELLED_STOPS * math.log(2.0)
    own = np.array([p.gain_e_per_dn_stderr / p.gain_e_per_dn for p in points])
    stages = [slice(None)] if split is None else [slice(None, split), slice(split, None)]
    values, errors = [], []
    rescaled = False
    chi_square = 0.0
    for stage in stages:
        keep = fair[stage] if fair[stage].any() else np.ones_like(fair[stage])
        inside, inside_errors = log_k[stage][keep], own[stage][keep]
        lone = inside.size == 1 and split is not None  # labels are as nominal there as in the other stage
        mean = float(inside.mean())
        stderr = math.sqrt(float((inside_errors**2).sum())) / inside.size
        scatter = float(inside.std(ddof=1)) / math.sqrt(inside.size) if inside.size > 1 else math.nan
        if lone:
            others = np.delete(log_k, np.arange(len(log_k))[stage])
            scatter = float(others.std(ddof=1)) if others.size > 1 else math.nan
        if not stderr >= scatter:  # also where the points' errors are unknown
            stderr, rescaled = scatter, True
        chi_square += float((((inside - mean) / inside_errors) ** 2).sum()) if np.all(inside_errors > 0) else math.nan
        values.append(math.exp(mean))
        errors.append(math.exp(mean) * stderr)
    freedom = int(fair.sum()) - len(stages)
    return FitResult(
        model="g = k / ISO" + (", two stages" if split is not None else ""),
        names=("k",) if split is None else ("k_low_iso", "k_high_iso"),
        values=np.array(values),
        units=("e-/DN",) * len(values),
        stderr=np.array(errors),
        covariance=np.diag(np.square(errors)),
        degrees_of_freedom=freedom,
        reduced_chi_square=chi_square / freedom if freedom > 0 else math.nan,
        points_used=int(fair.sum()),
        points_dropped=tuple(
            f"ISO {p.iso:g}: not the amplification of its label"
            for p, is_fair in zip(points, fair, strict=True)
            if not is_fair
        ),
        errors_rescaled=rescaled,
        message="ISO labels are nominal: errors from the scatter" if rescaled else "",
    )
