"""The slowest shutter that freezes hands and subject, and the keep rate at any other.

Hands: streak lengths L at shutter time t have a distribution of fixed form whose scale s grows as t^slope
(the model of the blur fit). The accepted limit fixes s: P(L <= limit) = keep at the limit's time. At another
focal length the hands give the same angle, so s grows with the focal length. Subject: image speed = speed x
magnification. Both blurs add in their second moments (streak = sqrt(12) sigma), so the hands have
sqrt(limit^2 - subject^2) left.

Pure standard library.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from kitgauge.intervals import NORMAL_95
from kitgauge.planner.streaks import log_quantile, share_below

_SHUTTER_SLACK = 1 + 1e-6
_QUANTILES = 64  # of a measured subject's streaks, for their sum with those of the hands


@dataclass(frozen=True)
class Hands:
    """Steadiness of one technique at one focal length and streak limit.

    `limit_s` is the slowest shutter for the keep rate `limit_keep`, `stderr_stops` its standard error (NaN =
    not estimated). `family` and `shape` give the distribution of streaks about their scale, which grows as
    t^`slope`; the defaults, Rayleigh and 1, are those of a steady drift of random direction and speed.
    """

    limit_s: float
    limit_keep: float
    stderr_stops: float = math.nan
    family: str = "rayleigh"
    shape: float = 1.0
    slope: float = 1.0

    def keep_rate(self, shutter_s: float, budget: float = 1.0) -> float:
        """Return the share of frames whose streak is at or under `budget` (0..1) of the streak limit."""
        if budget <= 0:
            return 0.0
        z = self._z(self.limit_keep) + math.log(budget) - self.slope * math.log(shutter_s / self.limit_s)
        return share_below(self.family, self.shape, z)

    def slowest_s(self, keep: float) -> float:
        """Return the slowest shutter time [s] that keeps a share `keep` of frames."""
        return self.limit_s * math.exp((self._z(self.limit_keep) - self._z(keep)) / self.slope)

    def at_focal(self, measured_mm: float, wanted_mm: float) -> Hands:
        """Return the steadiness at another focal length: the same angles."""
        return self.slowed(measured_mm / wanted_mm)

    def slowed(self, ratio: float) -> Hands:
        """Return the limit where streaks may be `ratio` times as long as those it was measured for."""
        return replace(self, limit_s=self.limit_s * ratio ** (1 / self.slope))

    def interval(self, shutter_s: float, budget: float = 1.0) -> tuple[float, float] | None:
        """Return the 95 % interval of the keep rate at `shutter_s`, None where no standard error is known."""
        if math.isnan(self.stderr_stops):
            return None
        spread = 2 ** (NORMAL_95 * self.stderr_stops)
        return self.keep_rate(shutter_s * spread, budget), self.keep_rate(shutter_s / spread, budget)

    def streak(self, shutter_s: float, share: float) -> float:
        """Return the streak, in streak limits, that `share` of frames at `shutter_s` do not exceed."""
        z = self._z(share) - self._z(self.limit_keep) + self.slope * math.log(shutter_s / self.limit_s)
        return math.exp(z)

    def _z(self, keep: float) -> float:
        return log_quantile(self.family, self.shape, keep)


@dataclass(frozen=True)
class Motion:
    """All that a shutter speed must freeze.

    hands            None on a tripod, or where only a rule of thumb is known
    hands_cap_s      slowest shutter for the hands [s], infinite on a tripod
    subject_cap_s    slowest shutter for the subject [s], infinite for a thing that stands still
    streak_per_s     the subject's image speed in streak limits per second, 0 where its speed was not given
    subject          spread of a measured subject's streaks, None for any other
    """

    hands: Hands | None
    hands_cap_s: float
    subject_cap_s: float
    streak_per_s: float
    keep: float
    subject: Hands | None = None

    def keep_rate(self, shutter_s: float) -> float | None:
        """Return the keep rate at `shutter_s`; None where the hands were not measured.

        A subject of known speed uses up part of the streak limit; one known by rule of thumb does not count.
        """
        if self.hands is None:
            return None if math.isfinite(self.hands_cap_s) else self._steady_keep(shutter_s)
        if self.subject is None:
            return self.hands.keep_rate(shutter_s, self._budget(shutter_s))
        streaks = (self.subject.streak(shutter_s, (k + 0.5) / _QUANTILES) for k in range(_QUANTILES))
        left = (math.sqrt(max(1 - streak**2, 0.0)) for streak in streaks)
        return sum(self.hands.keep_rate(shutter_s, budget) for budget in left) / _QUANTILES

    def interval(self, shutter_s: float) -> tuple[float, float] | None:
        """Return the 95 % interval of the keep rate, None where it cannot be told or two measured spreads
        mix.
        """
        if self.hands is None:
            alone = None if math.isfinite(self.hands_cap_s) else self.subject
            return None if alone is None else alone.interval(shutter_s)
        return None if self.subject is not None else self.hands.interval(shutter_s, self._budget(shutter_s))

    def freezes(self, shutter_s: float) -> bool:
        """Tell whether hands and subject are frozen at the wanted keep rate."""
        if shutter_s > min(self.hands_cap_s, self.subject_cap_s) * _SHUTTER_SLACK:
            return False
        rate = self.keep_rate(shutter_s)
        return rate is None or rate >= self.keep * (1 - 1e-6)

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
