"""The slowest shutter that freezes hands and subject, and the keep rate at any other.

Hands: streak lengths L at shutter time t have a distribution of fixed form whose scale s grows with t (the model of the
blur fit, `streak_model`). The accepted limit fixes s: P(L <= limit) = keep at the limit's time. At another
focal length the hands give the same angle, so s grows with the focal length. Subject: image speed = speed x
magnification. Both blurs add in their second moments (streak = sqrt(12) sigma), so the hands have
sqrt(limit^2 - subject^2) left.

Pure standard library.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from kitgauge.intervals import NORMAL_95
from kitgauge.planner.streak_model import Matrix, straightened, stretched
from kitgauge.planner.streaks import log_quantile, share_below

_SHUTTER_SLACK = 1 + 1e-6
_QUANTILES = 64  # of a measured subject's streaks, for their sum with those of the hands
_LONGEST_LN_S = 16.0  # no shutter time of a plan lies beyond exp(16) s, or under exp(-16) s
_STEP = 1e-4  # of the derivatives by shape and burst spread
_BEYOND = 2**0.01
_Rate = Callable[[float, float], float]  # of a shutter time [s] and a share of the streak limit


@dataclass(frozen=True)
class Hands:
    """Steadiness of one technique, or movement of one subject.

    `limit_s` is the slowest shutter for the keep rate `limit_keep`, `stderr_stops` its standard error (NaN =
    not estimated). `family`, `shape`, `slope`, `bend`, `burst_spread`, `reference_s`, `covariance`, `measured_s` and
    `lost_share` as in `streak_model.StreakSpread`; the defaults, Rayleigh and 1, are those of a steady drift of random
    direction and speed. `allowed`: the streak allowed, over that of which `limit_s` was measured. `time_factor`: how
    many times longer a shutter time gives the same streak (a support, a stabiliser).
    """

    limit_s: float
    limit_keep: float
    stderr_stops: float = math.nan
    family: str = "rayleigh"
    shape: float = 1.0
    slope: float = 1.0
    bend: float = 0.0
    burst_spread: float = 0.0
    reference_s: float = 1.0
    covariance: Matrix | None = None
    measured_s: tuple[float, float] | None = None
    lost_share: float = 0.0
    allowed: float = 1.0
    time_factor: float = 1.0

    def keep_rate(self, shutter_s: float, budget: float = 1.0) -> float:
        """Return the share of frames whose streak is at or under `budget` (0..1) of the streak limit."""
        if budget <= 0:
            return 0.0
        return share_below(self.family, self.shape, self._z_at(shutter_s, budget), self.burst_spread)

    def keep_rate_in_burst(self, shutter_s: float, factor: float, budget: float = 1.0) -> float:
        """Return the keep rate within a burst whose common factor lies `factor` standard deviations off."""
        if budget <= 0:
            return 0.0
        z = self._z_at(shutter_s, budget) - self.burst_spread * factor
        return share_below(self.family, self.shape, z)

    def slowest_s(self, keep: float) -> float:
        """Return the slowest shutter time [s] that keeps a share `keep` of frames."""
        gained = (self._z(self.limit_keep) - self._z(keep) + math.log(self.allowed)) / self.slope
        x = straightened(self._h(self.limit_s) + gained, self.bend)
        ln_s = math.log(self.reference_s) + x + math.log(self.time_factor)
        return math.exp(min(max(ln_s, -_LONGEST_LN_S), _LONGEST_LN_S))

    def at_focal(self, measured_mm: float, wanted_mm: float) -> Hands:
        """Return the steadiness at another focal length: the same angles."""
        return self.slowed(measured_mm / wanted_mm)

    def slowed(self, ratio: float) -> Hands:
        """Return the same where streaks may be `ratio` times as long."""
        return replace(self, allowed=self.allowed * ratio)

    def supported(self, stops: float) -> Hands:
        """Return the same with a support or stabiliser that gains `stops`."""
        return replace(self, time_factor=self.time_factor * 2**stops)

    def interval(self, shutter_s: float, budget: float = 1.0) -> tuple[float, float] | None:
        """Return the 95 % interval of the keep rate at `shutter_s`, None where no standard error is known.

        From the limit's standard error, and with the fit's covariance (delta method on the logit of the rate) also from
        those of slope and shape, which count far from the limit: the wider of the two.
        """
        if math.isnan(self.stderr_stops):
            return None
        spread = 2 ** (NORMAL_95 * self.stderr_stops)
        low, high = self.keep_rate(shutter_s * spread, budget), self.keep_rate(shutter_s / spread, budget)
        rate = self.keep_rate(shutter_s, budget)
        if self.covariance is None or not 1e-9 < rate < 1 - 1e-9:
            return low, high
        error = NORMAL_95 * math.sqrt(self._variance(shutter_s, budget)) / (rate * (1 - rate))
        logit = math.log(rate / (1 - rate))
        return min(low, _logistic(logit - error)), max(high, _logistic(logit + error))

    def streak(self, shutter_s: float, share: float) -> float:
        """Return the streak, in streak limits, that `share` of frames at `shutter_s` do not exceed."""
        return math.exp(self._z(share) - self._z_at(shutter_s, 1.0))

    def beyond_measured(self, shutter_s: float) -> bool:
        """Tell whether a time lies beyond the measured ones, so that the model is carried on."""
        if self.measured_s is None:
            return False
        time = shutter_s / self.time_factor
        return not self.measured_s[0] / _BEYOND <= time <= self.measured_s[1] * _BEYOND

    def _variance(self, shutter_s: float, budget: float) -> float:
        """Return the variance of the keep rate by the fit's covariance of (ln scale, slope, ln shape, bend, spread)."""
        assert self.covariance is not None
        z, x = self._z_at(shutter_s, budget), math.log(shutter_s / self.time_factor / self.reference_s)

        def share(z: float, ln_shape: float = 0.0, spread: float = 0.0) -> float:
            return share_below(self.family, self.shape * math.exp(ln_shape), z, self.burst_spread + spread)

        by_z = (share(z + _STEP) - share(z - _STEP)) / (2 * _STEP)
        by_bend = (stretched(x, self.bend + _STEP) - stretched(x, self.bend - _STEP)) / (2 * _STEP)
        by_shape = 0.0 if self.family == "rayleigh" else (share(z, _STEP) - share(z, -_STEP)) / (2 * _STEP)
        by_spread = (share(z, 0.0, _STEP) - share(z)) / _STEP if self.burst_spread > _STEP else 0.0
        gradient = (-by_z, -by_z * stretched(x, self.bend), by_shape, -by_z * self.slope * by_bend, by_spread)
        pairs = ((a * b, i, j) for i, a in enumerate(gradient) for j, b in enumerate(gradient))
        return max(sum(product * self.covariance[i][j] for product, i, j in pairs), 0.0)

    def _h(self, time_s: float) -> float:
        return stretched(math.log(time_s / self.reference_s), self.bend)

    def _z(self, keep: float) -> float:
        return log_quantile(self.family, self.shape, keep, self.burst_spread)

    def _z_at(self, shutter_s: float, budget: float) -> float:
        """Return ln of the allowed streak over the scale of streaks at `shutter_s`."""
        grown = self.slope * (self._h(shutter_s / self.time_factor) - self._h(self.limit_s))
        return self._z(self.limit_keep) + math.log(self.allowed * budget) - grown


@dataclass(frozen=True)
class Motion:
    """All that a shutter speed must freeze.

    hands            None on a tripod, or where only a rule of thumb is known
    hands_cap_s      slowest shutter for the hands [s], infinite on a tripod
    subject_cap_s    slowest shutter for the subject [s], infinite for a thing that stands still
    streak_per_s     the subject's image speed in streak limits per second, 0 where its speed was not given
    subject          spread of a measured subject's streaks, None for any other
    streak_mm        the streak limit on the sensor [mm]
    """

    hands: Hands | None
    hands_cap_s: float
    subject_cap_s: float
    streak_per_s: float
    keep: float
    subject: Hands | None = None
    streak_mm: float = math.nan

    def keep_rate(self, shutter_s: float) -> float | None:
        """Return the keep rate at `shutter_s`; None where the hands were not measured.

        A subject of known speed uses up part of the streak limit; one known by rule of thumb does not count.
        """
        if self.hands is None:
            return None if math.isfinite(self.hands_cap_s) else self._steady_keep(shutter_s)
        return self._mean_keep(shutter_s, self.hands.keep_rate)

    def expected_keep_rate(self, shutter_s: float) -> float | None:
        """Return the keep rate to expect: at most what is left of the frames lost at any shutter time."""
        rate = self.keep_rate(shutter_s)
        return None if rate is None else min(rate, 1 - self.lost_share)

    def keep_rate_in_burst(self, shutter_s: float, factor: float) -> float | None:
        """Return the keep rate to expect within a burst whose common factor lies `factor` standard deviations off."""
        hands = self.hands
        if hands is None or hands.burst_spread <= 0:
            return self.expected_keep_rate(shutter_s)
        rate = self._mean_keep(shutter_s, lambda time, budget: hands.keep_rate_in_burst(time, factor, budget))
        return min(rate, 1 - self.lost_share)

    @property
    def lost_share(self) -> float:
        """The share of frames lost at any shutter time (the press of the button, a knock)."""
        return 0.0 if self.hands is None else self.hands.lost_share

    def interval(self, shutter_s: float) -> tuple[float, float] | None:
        """Return the 95 % interval of the keep rate, None where it cannot be told."""
        if self.hands is None:
            alone = None if math.isfinite(self.hands_cap_s) else self.subject
            return None if alone is None else alone.interval(shutter_s)
        top = 1 - self.lost_share
        if self.subject is None:
            found = self.hands.interval(shutter_s, self._budget(shutter_s))
            return None if found is None else (min(found[0], top), min(found[1], top))
        errors = (self.hands.stderr_stops, self.subject.stderr_stops)
        if any(math.isnan(error) for error in errors):
            return None
        middle = self.keep_rate(shutter_s) or 0.0
        ends = []
        for sign in (-1, 1):  # each spread moved by its own error; the two are independent
            changed = (
                replace(self, hands=self.hands.supported(sign * NORMAL_95 * errors[0])),
                replace(self, subject=self.subject.supported(sign * NORMAL_95 * errors[1])),
            )
            moved = math.hypot(*((item.keep_rate(shutter_s) or 0.0) - middle for item in changed))
            ends.append(min(max(middle + sign * moved, 0.0), top))
        return ends[0], ends[1]

    def freezes(self, shutter_s: float) -> bool:
        """Tell whether hands and subject are frozen at the wanted keep rate."""
        if shutter_s > min(self.hands_cap_s, self.subject_cap_s) * _SHUTTER_SLACK:
            return False
        rate = self.keep_rate(shutter_s)
        return rate is None or rate >= self.keep * (1 - 1e-6)

    def streak_at(self, shutter_s: float, share: float = 0.5) -> float | None:
        """Return the streak on the sensor [mm] that `share` of frames at `shutter_s` do not exceed; None where the
        movement is known by rule of thumb only.

        Hands and subject add in their second moments; of two measured spreads the same share of each is added, which
        for shares over one half lies on the safe side. A subject known by rule of thumb does not count beside measured
        hands.
        """
        by_thumb = self.subject is None and self.streak_per_s == 0 and math.isfinite(self.subject_cap_s)
        if math.isnan(self.streak_mm) or (self.hands is None and (by_thumb or math.isfinite(self.hands_cap_s))):
            return None
        by_hands = 0.0 if self.hands is None else self.hands.streak(shutter_s, share)
        by_subject = self.streak_per_s * shutter_s if self.subject is None else self.subject.streak(shutter_s, share)
        return self.streak_mm * math.hypot(by_hands, by_subject)

    def _mean_keep(self, shutter_s: float, rate: _Rate) -> float:
        """Return the mean of `rate` (of the hands) over what the subject leaves of the streak limit."""
        if self.subject is None:
            return rate(shutter_s, self._budget(shutter_s))
        streaks = (self.subject.streak(shutter_s, (k + 0.5) / _QUANTILES) for k in range(_QUANTILES))
        left = (math.sqrt(max(1 - streak**2, 0.0)) for streak in streaks)
        return sum(rate(shutter_s, budget) for budget in left) / _QUANTILES

    def _budget(self, shutter_s: float) -> float:
        """Return the share of the streak limit that the subject leaves to the hands."""
        return math.sqrt(max(1 - (self.streak_per_s * shutter_s) ** 2, 0.0))

    def _steady_keep(self, shutter_s: float) -> float | None:
        """Return the keep rate without hands: certain for a known speed, unknown for a rule of thumb."""
        if self.subject is not None:
            return self.subject.keep_rate(shutter_s)
        if self.streak_per_s > 0 or math.isinf(self.subject_cap_s):
            return 1.0 if shutter_s <= self.subject_cap_s * _SHUTTER_SLACK else 0.0
        return None


def _logistic(value: float) -> float:
    return 1 / (1 + math.exp(-value)) if value > -700 else 0.0
