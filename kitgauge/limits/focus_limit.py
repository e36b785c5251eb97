"""The personal limit of focusing: the lowest f-number at which enough frames, focused one by one, stay sharp."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from kitgauge.exposure import f_number_dial, format_exact_f_number, format_f_number, percent
from kitgauge.fit.sharpness.focus_repeatability import FocusRepeatability, lost_part
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.model import Limit

Array = NDArray[np.float64]


def focus_limit(
    focusing: FocusRepeatability, criteria: Criteria, lens: str | None = None, focal_mm: float | None = None
) -> Limit:
    """Return the lowest f-number at which the share `keep` of frames loses less than `focus_loss` of its sharpness.

    A share k of frames misses the focus by no more than s Phi^-1((1 + k) / 2); the lens forgives the miss `allowed` at
    each measured f-number, interpolated in log against log f-number and taken to rise (a cone of light of half the
    angle forgives twice the miss). Outside the measured f-numbers nothing is claimed: the limit is then the lowest of
    them (flagged `range-open`), or the highest (flagged `criterion-not-met`).
    """
    numbers = np.log([item.f_number for item in focusing.f_numbers])
    allowed = np.maximum.accumulate(np.log([min(item.allowed, 1e9) for item in focusing.f_numbers]))
    allowed = allowed + 1e-9 * np.arange(allowed.size)  # rising, so that it can be turned round
    reach = np.log(focusing.scales * float(ndtri(0.5 * (1.0 + criteria.keep))))
    found = np.exp(np.interp(reach, allowed, numbers))
    cumulative = np.cumsum(focusing.weights) - 0.5 * focusing.weights
    low, value, high = (float(np.interp(share, cumulative, found)) for share in (0.025, 0.5, 0.975))
    middle = float(np.interp(0.5, cumulative, reach))
    met, at_widest = bool(middle <= allowed[-1]), bool(middle <= allowed[0])
    flags = (["criterion-not-met"] if not met else []) + (["range-open"] if at_widest else [])
    dial = f_number_dial("thirds")
    mark = dial.at_least(value)
    marked = dial.nominal[dial.nearest(value) if mark is None else mark]
    stops = 2.0 * np.log2(found)
    mean = float(focusing.weights @ stops)
    spread = math.sqrt(max(float(focusing.weights @ stops**2) - mean**2, 0.0))
    return Limit(
        kind="focus",
        value={"f_number": value},
        dial={"f_number": marked},
        ci_low=low,
        ci_high=high,
        stderr_stops=spread if spread > 0 else math.nan,
        criterion={"keep": criteria.keep, "focus_loss": focusing.lost_means},
        text=_text(focusing, criteria.keep, value, marked, met, at_widest, lens),
        lens=lens,
        focal_mm=focal_mm,
        region=focusing.region,
        flags=tuple(flags),
        extra={
            "focus_error": focusing.sigma,
            "focus_error_ci": list(focusing.sigma_ci),
            "focus_error_unit": focusing.unit,
        },
    )


def _text(
    focusing: FocusRepeatability,
    keep: float,
    value: float,
    marked: float,
    met: bool,
    at_widest: bool,
    lens: str | None,
) -> str:
    kept = f"{percent(keep)} of frames lose less than {lost_part(focusing.lost_means)} of their sharpness to focusing"
    start = f"{lens}, focusing: " if lens else "Focusing: "
    said = f"{focusing.text[0].lower()}{focusing.text[1:]}" if focusing.text[0].isalpha() else focusing.text
    at = format_exact_f_number(value)
    if at_widest:
        return f"{start}{said} At every f-number measured, from {at} on, {kept}."
    if not met:
        return f"{start}{said} At no f-number measured, up to {at}, {kept}."
    dial = f" (on the dial {format_f_number(marked)})" if format_f_number(marked) != at else ""
    return f"{start}{said} From {at}{dial} on, {kept}."
