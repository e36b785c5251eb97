"""Hot pixels: counts by the definition, rates from several exposures."""

from __future__ import annotations

import math

import pytest

from kitgauge.fit.noise.hot_pixels import HOT_READ_NOISES, Candidates, hot_count, hottest_pixels


def seen(time, *pixels):
    """Candidates at one time; pixels: (x, y, excess [DN], clipped)."""
    histogram = {}
    for _, _, excess, _ in pixels:
        histogram[math.floor(excess)] = histogram.get(math.floor(excess), 0) + 1
    codes = sorted(histogram)
    columns = list(zip(*pixels, strict=True)) if pixels else [(), (), (), ()]
    return Candidates(time, 10_000, tuple(codes), tuple(histogram[c] for c in codes), *columns)


def test_a_pixel_counts_from_ten_read_noises_on():
    assert HOT_READ_NOISES == 10
    found = seen(1.0, (1, 1, 38.0, False), (2, 2, 41.0, False), (3, 3, 41.9, False), (4, 4, 900.0, True))
    assert hot_count(found, 4.0) == 3
    assert hot_count(found, 3.7) == 4
    assert hot_count(seen(1.0), 4.0) == 0


def test_the_rate_is_the_slope_and_not_excess_over_time():
    # 50 DN of offset and 20 DN/s; gain 0.5 e-/DN
    steady = [(7, 9, 50.0 + 20.0 * t, False) for t in (1.0, 4.0, 16.0)]
    found = hottest_pixels([seen(t, p) for t, p in zip((1.0, 4.0, 16.0), steady, strict=True)], 4.0, 0.5)
    (pixel,) = found
    assert (pixel.x, pixel.y, pixel.exposure_s) == (7, 9, 16.0)
    assert pixel.rate_e_per_s == pytest.approx(10.0)
    assert pixel.excess_e == pytest.approx(185.0)
    naive = 0.5 * steady[0][2] / 1.0  # excess over time
    assert naive == 35.0, "excess over time is three times too high"


def test_clipped_exposures_do_not_flatten_the_rate_and_the_fullest_come_first():
    exposures = [
        seen(1.0, (1, 1, 1000.0, False), (2, 2, 15000.0, True), (3, 3, 100.0, False)),
        seen(4.0, (1, 1, 4000.0, False), (2, 2, 15000.0, True), (3, 3, 400.0, False)),
        seen(16.0, (1, 1, 15000.0, True), (2, 2, 15000.0, True), (3, 3, 1600.0, False), (4, 4, 320.0, False)),
    ]
    found = hottest_pixels(exposures, 4.0, 1.0)
    assert [(p.x, p.y) for p in found] == [(2, 2), (1, 1), (3, 3), (4, 4)]
    assert math.isnan(found[0].rate_e_per_s), "always full: faster than can be told"
    assert found[1].rate_e_per_s == pytest.approx(1000.0)
    assert found[3].rate_e_per_s == pytest.approx(20.0)


def test_without_a_gain_rates_are_unknown_and_places_known():
    (pixel,) = hottest_pixels([seen(1.0, (5, 6, 500.0, False))], 4.0, math.nan)
    assert (pixel.x, pixel.y) == (5, 6) and math.isnan(pixel.rate_e_per_s)
