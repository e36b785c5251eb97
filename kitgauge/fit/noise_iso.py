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
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from kitgauge.errors import FitError
from kitgauge.fit.result import FitResult
from kitgauge.measure.noise_points import NoisePoint

LEAST_POINTS = 3
# A second stage is claimed where it lowers BIC by this much: "very strong" evidence (Kass and Raftery 1995,
# from memory)
BIC_NEEDED = 10.0
# Real amplifiers keep to the model to about this share of read noise (common practice, no source); added to
# the errors when models are compared, so that tiny departures seen at great precision do not pass for a
# second stage.
MODEL_TOLERANCE = 0.01
# Raising ISO further gains less than this much read noise [stops]: the finest step of a dial
INVARIANCE_STOPS = 1.0 / 3.0


@dataclass(frozen=True)
class NoiseFit:
    """Read noise and gain against ISO for one channel.

    `result` holds sigma_0 (or sigma_0_low_iso and sigma_0_high_iso) [e-] and sigma_1 [DN]; `gain` holds k (or
    k_low_iso and k_high_iso) [e-/DN times ISO]. `dual_gain_iso` is the first measured ISO of the second
    stage, None where there is none. `invariance_iso` is the lowest ISO from which on no higher one lowers
    read noise [e-] by more than `INVARIANCE_STOPS`; None where read noise still falls at the highest measured
    ISO, or cannot be told.
    """

    channel: str
    result: FitResult
    gain: FitResult
    dual_gain_iso: float | None
    invariance_iso: float | None
    invariance_iso_stderr: float
    invariance_text: str

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
        }


@dataclass(frozen=True)
class _Model:
    """One candidate: variances (sigma_0^2 per stage, sigma_1^2) and their covariance."""

    split: int | None  # index of the first point of the second stage
    squares: NDArray[np.float64]
    covariance: NDArray[np.float64]
    at_bound: NDArray[np.bool_]
    chi_square: float
    log_likelihood: float
    aicc: float
    bic: float


def fit_noise_iso(points: Sequence[NoisePoint], channel: str = "G") -> NoiseFit:
    """Return the fit of gain and read noise against ISO of the points of `channel`.

    The regression is in variances, weighted by their standard errors, and linear in sigma_0^2 and sigma_1^2,
    which are kept at 0 or above. Each stage needs two points. FitError where fewer than three ISO values have
    a read noise.
    """
    chosen = sorted((p for p in points if p.channel == channel), key=lambda p: p.iso)
    reasons = _left_out(chosen)
    dropped = [(p, reason) for p, reason in zip(chosen, reasons, strict=True) if reason is not None]
    used = [p for p, reason in zip(chosen, reasons, strict=True) if reason is None]
    isos = np.array([p.iso for p in used])
    if len(np.unique(isos)) < LEAST_POINTS:
        why = "; ".join(f"ISO {p.iso:g}: {reason}" for p, reason in dropped)
        raise FitError(
            "too few ISO values with gain and read noise to fit noise against ISO",
            where=f"channel {channel}",
            got=f"{len(np.unique(isos))}" + (f" ({why})" if why else ""),
            needed=f"at least {LEAST_POINTS}",
            fix="shoot a flat pair and a dark pair at more ISO values",
        )
    gains = np.array([p.gain_e_per_dn for p in used])
    variances = np.array([p.read_noise_e**2 for p in used])
    # before sigma_0 is known all of the read noise stands for it: errors on the generous side
    errors = np.array([_variance_stderr(p, p.read_noise_e**2) for p in used])
    known = bool(np.all(np.isfinite(errors) & (errors > 0)))
    if not known:
        errors = np.full_like(variances, np.nan)
    model, evidence = _select(gains, variances, errors)
    if known:
        high = np.arange(len(used)) >= (len(used) if model.split is None else model.split)
        sigma_0_squares = np.where(high, model.squares[-2], model.squares[0])
        errors = np.array([_variance_stderr(p, float(q)) for p, q in zip(used, sigma_0_squares, strict=True)])
    model = _solve(gains, variances, errors if known else None, model.split)
    freedom = len(used) - len(model.squares)
    roots, covariance = _roots(model)
    names = ("sigma_0", "sigma_1") if model.split is None else ("sigma_0_low_iso", "sigma_0_high_iso", "sigma_1")
    units = ("e-",) * (len(names) - 1) + ("DN",)
    stderr = np.sqrt(np.diag(covariance))
    result = FitResult(
        model="sigma_r^2 = sigma_0^2 + (sigma_1 g)^2" + (", two stages" if model.split is not None else ""),
        names=names,
        values=roots,
        units=units,
        stderr=stderr,
        covariance=covariance,
        degrees_of_freedom=freedom,
        reduced_chi_square=model.chi_square / freedom if known and freedom > 0 else math.nan,
        points_used=len(used),
        points_dropped=tuple(f"ISO {p.iso:g}: {reason}" for p, reason in dropped),
        at_bound=tuple(name for name, bound in zip(names, model.at_bound, strict=True) if bound),
        message="" if known else "points without standard errors: equal relative weights, errors from the scatter",
        errors_rescaled=not known,
        evidence=evidence,
    )
    dual = None if model.split is None else float(isos[model.split])
    gain = _fit_gain(used, model.split)
    invariance, error, text = _invariance(result, gain, isos, model.split)
    return NoiseFit(channel, result, gain, dual, invariance, error, text)


def _left_out(points: Sequence[NoisePoint]) -> list[str | None]:
    """Return why each point cannot serve the fit, None where it can.

    A digitally scaled ISO has no amplification of its own and does not follow the model; where that leaves
    too few points, the whole file is scaled, and all are kept.
    """
    reasons: list[str | None] = [
        "no gain" if not p.gain_e_per_dn > 0 else "no read noise" if not p.read_noise_e > 0 else None for p in points
    ]
    digital = [
        "scaled digitally" if reason is None and "missing-codes" in p.flags else reason
        for p, reason in zip(points, reasons, strict=True)
    ]
    return digital if digital.count(None) >= LEAST_POINTS else reasons


def _variance_stderr(point: NoisePoint, sigma_0_square: float) -> float:
    """Return the standard error of sigma_r^2 - (sigma_1 g)^2 [e-^2] for this point.

    sigma_r^2 is g^2 times a variance in DN whose error is its own; an error of g moves it and (sigma_1 g)^2
    together, and what does not cancel is 2 sigma_0^2 dg/g.
    """
    if math.isfinite(point.read_noise_dn_stderr):
        own = 2.0 * point.read_noise_dn * point.read_noise_dn_stderr * point.gain_e_per_dn**2
        return math.hypot(own, 2.0 * sigma_0_square * point.gain_e_per_dn_stderr / point.gain_e_per_dn)
    return 2.0 * point.read_noise_e * point.read_noise_e_stderr


def _select(
    gains: NDArray[np.float64], variances: NDArray[np.float64], errors: NDArray[np.float64]
) -> tuple[_Model, dict[str, float]]:
    """Return the chosen model and the evidence; the second stage needs `BIC_NEEDED` and a smaller sigma_0."""
    tolerance = 2.0 * MODEL_TOLERANCE * variances
    comparing = np.hypot(errors, tolerance) if np.isfinite(errors).all() else None
    one = _solve(gains, variances, comparing, None)
    evidence = {
        "log_likelihood_one_stage": one.log_likelihood,
        "aicc_one_stage": one.aicc,
        "bic_one_stage": one.bic,
    }
    count = len(gains)
    two = [_solve(gains, variances, comparing, split) for split in range(2, count - 1)]
    falling = [model for model in two if model.squares[1] < model.squares[0]]
    best = one
    if falling:
        candidate = min(falling, key=lambda model: model.bic)
        evidence |= {
            "log_likelihood_two_stages": candidate.log_likelihood,
            "aicc_two_stages": candidate.aicc,
            "bic_two_stages": candidate.bic,
        }
        if one.bic - candidate.bic >= BIC_NEEDED:
            best = candidate
    evidence |= {"bic_needed": BIC_NEEDED, "model_tolerance": MODEL_TOLERANCE}
    return best, evidence


def _solve(
    gains: NDArray[np.float64],
    variances: NDArray[np.float64],
    errors: NDArray[np.float64] | None,
    split: int | None,
) -> _Model:
    """Return the weighted least-squares solution for one placing of the break.

    Without errors: relative weights, and the error scale estimated from the residuals (one parameter more).
    The break's place counts as a parameter in AICc (Hurvich and Tsai 1989) and BIC (Schwarz 1978).
    """
    count = len(gains)
    high = np.arange(count) >= (count if split is None else split)
    columns = [np.ones(count), gains**2] if split is None else [~high * 1.0, high * 1.0, gains**2]
    design = np.stack(columns, axis=1)
    scale = variances if errors is None else errors
    squares, _ = nnls(design / scale[:, None], variances / scale)
    at_bound = squares == 0.0
    chi_square = float((((variances - design @ squares) / scale) ** 2).sum())
    parameters = len(squares) + (split is not None) + (errors is None)
    covariance = np.full((len(squares), len(squares)), np.nan)
    free = ~at_bound
    weighted = (design / scale[:, None])[:, free]
    covariance[np.ix_(free, free)] = np.linalg.inv(weighted.T @ weighted)
    if errors is None:
        covariance = covariance * chi_square / max(count - len(squares), 1)
        mean_square = max(chi_square / count, 1e-12)
        log_likelihood = -0.5 * count * (math.log(2.0 * math.pi * mean_square) + 1.0) - float(np.log(scale).sum())
    else:
        log_likelihood = -0.5 * (chi_square + float(np.log(2.0 * math.pi * scale**2).sum()))
    correction = 2.0 * parameters * (parameters + 1) / (count - parameters - 1) if count > parameters + 1 else math.inf
    return _Model(
        split=split,
        squares=squares,
        covariance=covariance,
        at_bound=at_bound,
        chi_square=chi_square,
        log_likelihood=log_likelihood,
        aicc=2.0 * parameters - 2.0 * log_likelihood + correction,
        bic=parameters * math.log(count) - 2.0 * log_likelihood,
    )


def _roots(model: _Model) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the standard deviations and their covariance: d sigma = d(sigma^2) / (2 sigma); NaN at the bound
    0."""
    roots = np.sqrt(model.squares)
    slope = np.full_like(roots, np.nan)
    np.divide(0.5, roots, out=slope, where=roots > 0)
    return roots, slope[:, None] * model.covariance * slope[None, :]


def _fit_gain(points: Sequence[NoisePoint], split: int | None) -> FitResult:
    """Return k of g = k / ISO, per stage; its error from the scatter where that exceeds the points' own
    errors.

    ISO labels are nominal, so points scatter about k / ISO by more than their errors as a rule: the mean of
    log k is unweighted and the rescaling is recorded.
    """
    log_k = np.log([p.gain_e_per_dn * p.iso for p in points])
    own = np.array([p.gain_e_per_dn_stderr / p.gain_e_per_dn for p in points])
    stages = [slice(None)] if split is None else [slice(None, split), slice(split, None)]
    values, errors = [], []
    rescaled = False
    chi_square = 0.0
    for stage in stages:
        inside, inside_errors = log_k[stage], own[stage]
        mean = float(inside.mean())
        stderr = math.sqrt(float((inside_errors**2).sum())) / inside.size
        scatter = float(inside.std(ddof=1)) / math.sqrt(inside.size) if inside.size > 1 else math.nan
        if not stderr >= scatter:  # also where the points' errors are unknown
            stderr, rescaled = scatter, True
        chi_square += float((((inside - mean) / inside_errors) ** 2).sum()) if np.all(inside_errors > 0) else math.nan
        values.append(math.exp(mean))
        errors.append(math.exp(mean) * stderr)
    freedom = len(points) - len(stages)
    return FitResult(
        model="g = k / ISO" + (", two stages" if split is not None else ""),
        names=("k",) if split is None else ("k_low_iso", "k_high_iso"),
        values=np.array(values),
        units=("e-/DN",) * len(values),
        stderr=np.array(errors),
        covariance=np.diag(np.square(errors)),
        degrees_of_freedom=freedom,
        reduced_chi_square=chi_square / freedom if freedom > 0 else math.nan,
        points_used=len(points),
        errors_rescaled=rescaled,
        message="ISO labels are nominal: errors from the scatter" if rescaled else "",
    )


def _invariance(
    result: FitResult, gain: FitResult, isos: NDArray[np.float64], split: int | None
) -> tuple[float | None, float, str]:
    """Return the ISO from which on raising it gains less than `INVARIANCE_STOPS`, its standard error, and a
    sentence.

    The floor that raising ISO can reach is sigma_0 of the last stage, so in that stage the ISO solves
    sigma_0^2 + (sigma_1 k / ISO)^2 = 4^stops sigma_0^2.
    """
    stops = f"{INVARIANCE_STOPS:.2g} stop"
    sigma_0, sigma_1 = float(result.values[-2]), result.value("sigma_1")
    if sigma_0 == 0:
        return None, math.nan, "read noise falls with ISO all the way: no ISO value is invariant"
    target = sigma_0 * math.sqrt(4.0**INVARIANCE_STOPS - 1.0)
    solutions = []
    stages = [(0, len(isos))] if split is None else [(0, split), (split, len(isos))]
    for stage, (first, last) in enumerate(stages):
        own = float(result.values[stage]) ** 2 - sigma_0**2
        reach = target**2 - own
        if reach <= 0:
            continue
        iso = sigma_1 * float(gain.values[stage]) / math.sqrt(reach)
        if iso <= isos[last - 1]:
            solutions.append((max(iso, float(isos[first])), iso, first))
    if not solutions:
        return None, math.nan, f"read noise still falls by more than {stops} above ISO {isos[-1]:g}"
    value, free, first = min(solutions)
    relative = math.hypot(
        result.error("sigma_1") / sigma_1 if sigma_1 > 0 else math.nan, float(result.stderr[-2]) / sigma_0
    )
    error = free * relative if free > isos[first] else math.nan
    return value, error, f"above ISO {value:.0f}, a higher ISO lowers read noise by less than {stops}"
