"""Frames for so many keepers: against scipy's binomial, against drawn bursts, and where the plain formula fails."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from kitgauge.planner.bursts import LONGEST_BURST, at_least, frames_for, frames_in_one_burst
from kitgauge.planner.motion import Hands


@pytest.mark.parametrize("keep", [0.01, 0.2, 0.5, 0.8, 0.99])
@pytest.mark.parametrize("keepers", [1, 2, 5, 20])
def test_probability_is_the_binomial_one(keep: float, keepers: int) -> None:
    for frames in (1, 2, 5, 21, 60, 400):
        exact = stats.binom.sf(keepers - 1, frames, keep)
        assert at_least(keepers, frames, keep) == pytest.approx(exact, abs=1e-12)


@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95, 0.999])
@pytest.mark.parametrize("keepers", [1, 3, 10])
def test_fewest_frames_by_trying_them_all(confidence: float, keepers: int) -> None:
    for keep in (0.05, 0.3, 0.61, 0.8, 0.97):
        enough = [k for k in range(1, LONGEST_BURST + 1) if stats.binom.sf(keepers - 1, k, keep) >= confidence]
        assert frames_for(keepers, confidence, keep) == (enough[0] if enough else None)


def test_edges() -> None:
    assert frames_for(1, 0.99, 0.9) == 2  # 1 - 0.1^2 = 0.99 to the last digit
    assert frames_for(3, 0.95, 1.0) == 3
    assert frames_for(1, 0.95, 0.0) is None
    assert frames_for(1, 0.95, None) is None
    assert frames_for(1, 0.95, 1e-6) is None


@pytest.mark.statistical
def test_frames_of_one_burst_share_their_movement() -> None:
    """Bursts drawn frame by frame: the plain formula promises too much, the one with the shared factor what comes."""
    rng = np.random.default_rng(11)
    spread, keepers, confidence, bursts = 0.6, 1, 0.95, 20_000
    hands = Hands(0.02, 0.8, burst_spread=spread)
    time = 0.03
    rate = hands.keep_rate(time)
    apart = frames_for(keepers, confidence, rate)
    together = frames_in_one_burst(keepers, confidence, lambda factor: hands.keep_rate_in_burst(time, factor))
    assert apart is not None and together is not None
    assert together > apart
    # streaks in limits: Rayleigh x exp(r), the scale from P(streak <= 1) = 0.8 over both at 0.02 s, found by counting
    sample = rng.rayleigh(1.0, 400_000) * np.exp(spread * rng.standard_normal(400_000))
    scale = 1 / np.quantile(sample, 0.8) * time / 0.02

    def share_of_good_bursts(frames: int) -> float:
        streaks = scale * rng.rayleigh(1.0, (bursts, frames)) * np.exp(spread * rng.standard_normal((bursts, 1)))
        return float(np.mean(np.sum(streaks <= 1, axis=1) >= keepers))

    assert np.mean(scale * sample <= 1) == pytest.approx(rate, abs=0.005)
    assert share_of_good_bursts(apart) < confidence - 0.01
    assert share_of_good_bursts(together) >= confidence - 0.006
    assert share_of_good_bursts(together - 1) < confidence + 0.004
