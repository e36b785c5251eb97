"""Limits of people whose streaks come from integrated motion paths, not from the fit's own families."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shaken_people import KINDS, LADDER, LONGEST_PX, STREAK_LIMIT_PX, ShakenSeries, shoot, true_limit_s

from kitgauge.fit.blur.blur_next import next_shots

KEEPS = (0.5, 0.8, 0.9)
PEOPLE = 32


def _everybody(
    seed: int, people: int, longest_px: float = LONGEST_PX, frames: int = 10
) -> list[tuple[ShakenSeries, dict[float, float]]]:
    rng = np.random.default_rng(seed)
    found = []
    for number in range(people):
        kind, scale = number % len(KINDS), float(np.exp(0.35 * rng.standard_normal()))
        series = shoot(rng, kind, scale, np.repeat(LADDER, frames), longest_px)
        found.append((series, {keep: true_limit_s(kind, scale, keep, STREAK_LIMIT_PX) for keep in KEEPS}))
    return found


@pytest.mark.statistical
def test_limits_are_as_good_as_the_frames_allow() -> None:
    """Against the fit to the true streaks: measurement error, floor and ceiling add at most 15 %; limits unbiased
    within 0.05 stops, intervals cover. Standard errors of 32 people: 0.02 stops, 4 %."""
    errors, exact, covered = {k: [] for k in KEEPS}, {k: [] for k in KEEPS}, []  # type: ignore[var-annotated]
    for series, truth in _everybody(21, PEOPLE):
        fit, perfect = series.fit(), series.fit_to_truth()
        for keep in KEEPS:
            found = fit.limit(keep, STREAK_LIMIT_PX)
            errors[keep].append(math.log2(found.shutter_s / truth[keep]))
            exact[keep].append(math.log2(perfect.limit(keep, STREAK_LIMIT_PX).shutter_s / truth[keep]))
            covered.append(not (found.ci_low_s > truth[keep] or found.ci_high_s < truth[keep]))
    for keep in KEEPS:
        ours, sampling = np.array(errors[keep]), np.array(exact[keep])
        assert math.sqrt(np.mean(ours**2)) < 1.15 * math.sqrt(np.mean(sampling**2))
        assert abs(float(np.median(ours))) < 0.05 + 1.25 * 0.02
    assert np.mean(covered) >= 0.87


@pytest.mark.statistical
def test_frames_left_out_and_plain_shares_mislead() -> None:
    """The same series three ways: all frames; measured frames only; and a plain table of the share of measured frames
    whose MTF50 is above x, read at the slowest speed with 8 of 10.

    Streaks over 10 px cannot be measured here (small squares). x is the MTF50 of a steady streak of the limit's
    length, 0.603 / L (sinc(0.603) = 0.5).
    """
    ours, measured_only = [], []
    people = _everybody(22, 96, 10.0)
    for series, truth in people[:24]:
        known = np.array([kind is None for kind in series.censored])
        ours.append(math.log2(series.fit().limit(0.8, STREAK_LIMIT_PX).shutter_s / truth[0.8]))
        part = series.part(known).fit().limit(0.8, STREAK_LIMIT_PX).shutter_s
        measured_only.append(math.log2(part / truth[0.8]))
    table = []
    for series, truth in people:
        known = np.array([kind is None for kind in series.censored])
        sharp = 0.603 / series.streak_px >= 0.603 / STREAK_LIMIT_PX
        rates = [(t, float(np.mean(sharp[known & (series.shutter_s == t)]))) for t in LADDER
                 if np.any(known & (series.shutter_s == t))]  # fmt: skip
        good = [t for t, rate in rates if rate >= 0.8]
        if good:
            table.append(math.log2(max(good) / truth[0.8]))
    error = {name: math.sqrt(np.mean(np.square(e))) for name, e in (("ours", ours), ("table", table))}
    assert np.mean(measured_only) - np.mean(ours) > 0.1  # about a quarter of a stop steadier than the same person is
    # about a stop against a tenth: whole stops, few frames each, and slow speeds of which only sharp frames are left
    assert error["table"] > 5.0 * error["ours"]


@pytest.mark.statistical
def test_asked_frames_save_a_third_of_the_ladder() -> None:
    """Frames that bring the expected interval to 0.25 stops, by what each way adds per frame to the information: the
    full table over many people is in `bench/next_shots.py`."""
    rng = np.random.default_rng(23)
    ladder, asked = [], []
    for number in range(24):
        kind = number % len(KINDS)
        start = shoot(rng, kind, 1.0, np.repeat(LADDER, 3))
        more = next_shots(start.fit(), 0.8, STREAK_LIMIT_PX, wanted_stops=0.0, most_frames=105)
        times = np.array([time for time, count in more.shots for _ in range(count)])
        assert times.size == 105
        advised = start.joined(shoot(rng, kind, 1.0, times)).fit().limit(0.8, STREAK_LIMIT_PX)
        even = start.joined(shoot(rng, kind, 1.0, np.repeat(LADDER, 15))).fit().limit(0.8, STREAK_LIMIT_PX)
        asked.append(math.log2(advised.ci_high_s / advised.ci_low_s))
        ladder.append(math.log2(even.ci_high_s / even.ci_low_s))
    # frames go with the inverse square of the width: a third fewer is a width ratio of 0.816
    assert float(np.mean(np.array(asked) ** 2) / np.mean(np.array(ladder) ** 2)) < 2.0 / 3.0
