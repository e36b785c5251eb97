"""How fast a subject moves in the frame: the distribution of its speeds over frames, from the fit of blur.

The fit holds all frames, those too sharp and those too blurred to measure as bounds. The streak of an exposure
divided by its time is the subject's mean speed over it (in the sense of second moments). What moves to and fro turns
back within a long exposure, so that the speeds are told at one shutter time: that which freezes the subject at the
wanted keep rate, or the nearest measured one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from kitgauge.fit.blur.blur_shutter import BlurFit
from kitgauge.fit.blur.streak_families import FAMILIES

SHARES = (0.1, 0.25, 0.5, 0.75, 0.9)


@dataclass(frozen=True)
class SubjectSpeed:
    """Speeds in the frame at exposures of `at_shutter_s`.

    A share `keep` of frames is at most as fast as `px_per_s`, with its 95 % interval (NaN where the frames do not bound
    it, or where `at_shutter_s` is not the freezing one: `measured` is False then). `quantiles`: (share, px/s).
    `distribution`, `shape` and `slope` are the form of the fit: streak = scale x (t / t0)^slope x u.
    """

    at_shutter_s: float
    keep: float
    px_per_s: float
    ci_low_px_per_s: float
    ci_high_px_per_s: float
    measured: bool
    quantiles: tuple[tuple[float, float], ...]
    distribution: str
    shape: float
    slope: float

    def as_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {**vars(self), "quantiles": [{"share": share, "px_per_s": speed} for share, speed in self.quantiles]}


def subject_speed(fit: BlurFit, keep: float, streak_limit_px: float) -> SubjectSpeed:
    """Return the distribution of speeds that `fit` tells. Raises FitError for an impossible keep rate or limit.

    At a fixed time ln L of a quantile has `slope` times the error of the limit's ln t, since ln L = a + slope ln t + z:
    the interval of the speed is that of the limit, in logarithms times the slope, turned round.
    """
    found = fit.limit(keep, streak_limit_px)
    best = fit.families[0]
    slope = float(best.theta[1])
    measured = found.reach == "measured"
    low = high = math.nan
    if measured:
        time = found.shutter_s
        speed = streak_limit_px / time
        low, high = (speed * (time / end) ** slope for end in (found.ci_high_s, found.ci_low_s))
    else:
        time = fit.slowest_s if found.reach == "slower" else fit.fastest_s
        speed = fit.quantile_px(time, keep) / time
    return SubjectSpeed(
        at_shutter_s=time,
        keep=keep,
        px_per_s=speed,
        ci_low_px_per_s=low,
        ci_high_px_per_s=high,
        measured=measured,
        quantiles=tuple((share, fit.quantile_px(time, share) / time) for share in SHARES),
        distribution=best.name,
        shape=math.exp(float(best.theta[2])) if FAMILIES[best.name].has_shape else 1.0,
        slope=slope,
    )
