"""Dynamic range by both definitions, in closed form and for two published sensors; SNR against exposure."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from kitgauge.measure.noise.dynamic_range import (
    dynamic_range,
    engineering_dynamic_range_stops,
    iso15739_dynamic_range_stops,
    propagated,
    signal_of_snr_e,
)
from kitgauge.measure.noise.noise_points import NoisePoint
from kitgauge.measure.noise.snr_curve import snr_against_exposure

PUBLISHED = Path(__file__).resolve().parents[3] / "shared" / "published"


def test_closed_forms():
    # 2^12 times its read noise: 12 stops by the engineering definition
    assert engineering_dynamic_range_stops(4096 * 3.0, 3.0) == pytest.approx(12.0, abs=1e-12)
    # a noiseless counter of photons has SNR sqrt(S): 1 at one photo-electron
    assert iso15739_dynamic_range_stops(2.0**15, 0.0, 1e-9) == pytest.approx(15.0, abs=1e-9)
    # noise sqrt(6): S^2 = S + 6 at S = 3
    assert signal_of_snr_e(1.0, math.sqrt(6.0)) == pytest.approx(3.0, abs=1e-12)
    assert iso15739_dynamic_range_stops(3.0 * 2**10, math.sqrt(6.0 - 1 / 12), 1.0) == pytest.approx(10.0, abs=1e-12)
    # row and column noise are temporal noise: 9 of reading, 33 of rows and columns make S^2 = S + 42 at S = 7
    assert iso15739_dynamic_range_stops(7.0 * 2**10, 3.0, 1e-6, math.sqrt(33.0)) == pytest.approx(10.0, abs=1e-9)


@pytest.mark.parametrize("snr", [0.5, 1.0, 10.0])
@pytest.mark.parametrize("noise", [0.0, 0.3, 2.0, 40.0])
def test_signal_of_an_snr_solves_its_equation(snr, noise):
    # independent route: root search on the definition
    root = brentq(lambda s: s / math.sqrt(s + noise**2) - snr, 1e-9, 1e6, xtol=1e-12)
    assert signal_of_snr_e(snr, noise) == pytest.approx(root, rel=1e-9)


def test_photographic_range_is_smaller_by_shot_noise_and_rounding():
    for gain in (0.05, 0.5, 5.0):
        for read in (0.3, 2.0, 30.0):
            assert iso15739_dynamic_range_stops(3e4, read, gain) < engineering_dynamic_range_stops(3e4, read)
    # shot noise matters not where read noise is great: S_1 goes to the read noise (+ 1/2)
    assert iso15739_dynamic_range_stops(3e5, 1000.0, 0.1) == pytest.approx(math.log2(3e5 / 1000.5), abs=1e-4)


@pytest.mark.skipif(not PUBLISHED.is_dir(), reason=f"published figures not found at {PUBLISHED}")
def test_published_sensors():
    # gain-read-noise.csv (its sources: published/README.md): full well 41,400 e- and 16.77 e- at ISO 100; clipping at
    # 8,180 e- and 3.0 e- of the module. Ranges worked out by hand: 2^11 = 2048, 41400/16.77 = 2468.7 (11.2695 stops);
    # 8180/3.0 = 2726.7 (11.4129 stops). The print's rounding of read noise, 0.05 of 3.0, is 0.024 stops.
    table = {}
    for row in csv.DictReader((PUBLISHED / "gain-read-noise.csv").read_text(encoding="utf-8").splitlines()):
        table[row["sensor"], row["iso"]] = float(row["read_noise_e"])
    body, module = table["aps-c-2007", "100"], table["module-12bit", "gain-1"]
    assert engineering_dynamic_range_stops(41_400, body) == pytest.approx(11.2695, abs=0.0006)
    assert engineering_dynamic_range_stops(8_180, module) == pytest.approx(11.4129, abs=0.025)


def test_unknown_stays_unknown():
    assert math.isnan(engineering_dynamic_range_stops(math.nan, 3.0))
    assert math.isnan(engineering_dynamic_range_stops(1e4, math.nan))
    assert math.isnan(iso15739_dynamic_range_stops(1e4, math.nan, 0.5))
    unknown = dynamic_range(0.5, math.nan, 4.0, 0.02, 15_000.0)
    assert math.isnan(unknown.engineering_stops_stderr) and math.isfinite(unknown.engineering_stops)


def test_gain_cancels_in_the_engineering_range_only():
    sure = dynamic_range(0.5, 0.0, 4.0, 0.02, 15_000.0)
    unsure = dynamic_range(0.5, 0.05, 4.0, 0.02, 15_000.0)
    assert sure.engineering_stops == pytest.approx(math.log2(15_000 / 4.0))
    assert sure.engineering_stops_stderr == pytest.approx(0.02 / 4.0 / math.log(2), rel=1e-4)
    assert unsure.engineering_stops_stderr == pytest.approx(sure.engineering_stops_stderr, rel=1e-9)
    assert unsure.iso15739_stops_stderr > 1.5 * sure.iso15739_stops_stderr


@pytest.mark.statistical
def test_errors_of_both_ranges_are_those_of_many_draws():
    rng = np.random.default_rng(1)
    gain, read, span, errors = 0.4, 5.0, 12_000.0, (0.012, 0.1, 150.0)
    draws = [
        dynamic_range(gain + e[0], 0.0, read + e[1], 0.0, span + e[2]) for e in rng.standard_normal((4000, 3)) * errors
    ]
    stated = dynamic_range(gain, errors[0], read, errors[1], span, errors[2])
    # a standard deviation over 4000 draws is known to 1.1 %
    assert np.std([d.engineering_stops for d in draws]) == pytest.approx(stated.engineering_stops_stderr, rel=0.045)
    assert np.std([d.iso15739_stops for d in draws]) == pytest.approx(stated.iso15739_stops_stderr, rel=0.045)


def test_propagation_of_a_product():
    # relative errors add in squares: 0.03, 0.04 and 0.12 make 0.13
    error = propagated(lambda a, b, c: a * b * c, (2.0, 3.0, 5.0), (0.06, 0.12, 0.6))
    assert error == pytest.approx(30 * 0.13, rel=1e-5)


def point(iso=100.0, gain=2.0, read_dn=3.0, span=15_000.0, error=0.01, channel="G"):
    return NoisePoint(
        iso, channel, gain, error * gain, read_dn * gain, error * read_dn * gain, span * gain, math.nan, math.nan,
        read_noise_dn=read_dn, read_noise_dn_stderr=error * read_dn,
    )  # fmt: skip


def test_snr_curve_at_known_places():
    [curve] = snr_against_exposure([point(gain=1.0, read_dn=3.0, span=2.0**14)])
    assert curve.stops_below_saturation[:4] == pytest.approx((0, 1 / 3, 2 / 3, 1))
    at = dict(zip(curve.stops_below_saturation, curve.snr, strict=True))
    # saturation: shot noise alone, sqrt(16384) = 128 less 9.08/16384/2 of it
    assert at[0] == pytest.approx(128 * (1 - 0.5 * (9 + 1 / 12) / 16384), rel=1e-6)
    # 10 stops below: 16 e-, noise sqrt(16 + 9 + 1/12)
    assert at[10] == pytest.approx(16 / math.sqrt(25 + 1 / 12), rel=1e-9)
    # it ends at the first third of a stop below SNR 1; S_1 = (1 + sqrt(1 + 4 (9 + 1/12))) / 2 = 3.5550
    assert curve.snr[-1] < 1 <= curve.snr[-2]
    assert abs(curve.stops_below_saturation[-1] - math.log2(2**14 / 3.555)) < 1 / 3
    assert all(a > b for a, b in zip(curve.snr, curve.snr[1:], strict=False))
    assert all(low < s < high for low, s, high in zip(curve.low, curve.snr, curve.high, strict=True))


def test_snr_curves_only_where_noise_is_known():
    points = [point(400), point(100), point(200, read_dn=math.nan), point(100, channel="R")]
    assert [c.iso for c in snr_against_exposure(points)] == [100, 400]
    [one] = snr_against_exposure([point(error=math.nan)])
    assert all(map(math.isnan, one.low)) and all(map(math.isfinite, one.snr))
    assert set(one.as_dict()) == {"iso", "channel", "stops_below_saturation", "snr", "low", "high"}


@pytest.mark.statistical
@pytest.mark.parametrize("stops", [0, 5, 11])
def test_snr_band_covers(stops):
    rng = np.random.default_rng(stops)
    gain, read, span, error = 1.3, 4.0, 15_000.0, 0.02
    signal = gain * span / 2**stops
    true = signal / math.sqrt(signal + (gain * read) ** 2 + gain**2 / 12)
    covered = 0
    for a, b in rng.standard_normal((600, 2)) * error:
        g, r = gain * (1 + a), read * (1 + b)
        measured = NoisePoint(
            100, "G", g, error * g, r * g, math.hypot(error, error) * r * g, span * g, math.nan, math.nan,
            read_noise_dn=r, read_noise_dn_stderr=error * r,
        )  # fmt: skip
        [curve] = snr_against_exposure([measured])
        index = 3 * stops
        covered += curve.low[index] <= true <= curve.high[index]
    assert 0.92 <= covered / 600 <= 0.98  # 95 % less or more 3 standard deviations of 0.9 %
