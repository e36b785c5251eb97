"""The ISO limit against its closed form, its interval against many seeds, and what it says where there is
none."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from kitgauge.errors import LimitsError
from kitgauge.fit.noise.noise_iso import fit_noise_iso
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.iso_limit import iso_limit
from kitgauge.limits.picture import plane_pitch_px, spectrum_entries
from kitgauge.measure.noise.noise_points import NoisePoint
from kitgauge.measure.noise.noise_spectrum import white_stderr

ISOS = tuple(100 * 2**k for k in range(9))
K, RANGE_DN, PIXELS = 400.0, 15_871.0, 24_000_000


# noise power all below half the Nyquist frequency of the plane: density 4 there, then less as 1 / share^2
LOW_HALF = tuple(min(4.0, (16 / (k + 1)) ** 2) for k in range(16))


def point(iso, gain, read_dn, gain_error=0.0, read_dn_error=0.0, flags=(), spectrum=(), blocks=1e9, **more):
    saturation, read_e = gain * RANGE_DN, gain * read_dn
    midgrey = saturation * 10 / 78
    return NoisePoint(
        iso=iso,
        channel="G",
        gain_e_per_dn=gain,
        gain_e_per_dn_stderr=gain_error,
        read_noise_e=read_e,
        read_noise_e_stderr=math.hypot(gain * read_dn_error, read_dn * gain_error),
        saturation_e=saturation,
        dynamic_range_stops=math.log2(saturation / read_e),
        snr_midgrey=midgrey / math.sqrt(midgrey + read_e**2 + gain**2 / 12),
        read_noise_dn=read_dn,
        read_noise_dn_stderr=read_dn_error,
        spectrum=spectrum,
        spectrum_blocks=blocks,
        flags=flags,
        **more,
    )


def ladder(rng=None, sigma_0=1.6, sigma_1=3.0, isos=ISOS, error=0.004, **more):
    points = []
    for iso in isos:
        gain, read_dn = K / iso, math.hypot(sigma_0 * iso / K, sigma_1)
        g, r = (1.0, 1.0) if rng is None else 1 + error * rng.standard_normal(2)
        points.append(point(iso, gain * g, read_dn * r, error * gain, error * read_dn, **more))
    return points


def true_limit(wanted, output_mp=8.0, sigma_0=1.6, sigma_1=3.0, fraction=10 / 78):
    """Solve S / sqrt(S + sigma_0^2 + (sigma_1 g)^2 + g^2/12) = wanted / scale for the electrons S, in closed
    form.

    S = c g with c = `fraction` of the range; with q = wanted / scale: c^2 g^2 = q^2 (c g + sigma_0^2 + (sigma_1^2
    + 1/12) g^2).
    """
    c, q2 = RANGE_DN * fraction, wanted**2 / (PIXELS / (output_mp * 1e6))
    a, b, d = c * c - q2 * (sigma_1**2 + 1 / 12), -q2 * c, -q2 * sigma_0**2
    return K / ((-b + math.sqrt(b * b - 4 * a * d)) / (2 * a))


@pytest.mark.parametrize("wanted", [9.9, 10.0, 14.0, 20.0, 40.0, 80.0])
def test_limit_agrees_with_the_closed_form_between_points_two_stops_apart(wanted):
    points = ladder(isos=ISOS[::2])
    limit = iso_limit(points, None, Criteria(snr=wanted), PIXELS)
    assert limit.value["iso"] == pytest.approx(true_limit(wanted), rel=1e-6)
    assert limit.criterion == {"snr": wanted, "output_mp": 8.0}


@pytest.mark.statistical
@pytest.mark.parametrize("wanted", [10.0, 31.0])
def test_interval_covers_95_percent(wanted):
    seeds, true = 1000, true_limit(wanted)
    covered, pulls = 0, []
    for seed in range(seeds):
        limit = iso_limit(ladder(np.random.default_rng(seed)), None, Criteria(snr=wanted), PIXELS)
        covered += limit.ci_low <= true <= limit.ci_high
        pulls.append(math.log2(limit.value["iso"] / true) / limit.stderr_stops)
    # binomial: standard error 0.7 %
    assert 0.92 < covered / seeds < 0.98
    assert abs(np.mean(pulls)) < 4 / math.sqrt(seeds)
    assert np.std(pulls) == pytest.approx(1.0, abs=0.1)


def test_dial_is_the_third_stop_at_or_below():
    limit = iso_limit(ladder(), None, Criteria(snr=10), PIXELS)
    assert limit.kind == "iso" and limit.dial["iso"] <= limit.value["iso"] < limit.dial["iso"] * 2 ** (1 / 3) * 1.01
    assert limit.dial["iso"] == 20000
    assert limit.as_dict()["iso_dial"] == 20000
    assert f"ISO {limit.dial['iso']:.0f}" in limit.text and "SNR 10" in limit.text and "8 MP" in limit.text


def test_a_stricter_or_larger_picture_never_raises_the_limit():
    points = ladder()
    by_snr = [iso_limit(points, None, Criteria(snr=s), PIXELS).value["iso"] for s in (9, 12, 20, 40, 70)]
    by_size = [iso_limit(points, None, Criteria(snr=20, output_mp=m), PIXELS).value["iso"] for m in (2, 4, 8, 24, 60)]
    assert by_snr == sorted(by_snr, reverse=True) and by_size == sorted(by_size, reverse=True)
    # four times the output pixels halve the picture's SNR
    assert iso_limit(points, None, Criteria(snr=20, output_mp=2), PIXELS).value["iso"] == pytest.approx(
        iso_limit(points, None, Criteria(snr=10, output_mp=8), PIXELS).value["iso"]
    )


def test_nothing_is_extrapolated_beyond_the_highest_measured():
    points = ladder(isos=ISOS[:6])
    limit = iso_limit(points, None, Criteria(snr=10), PIXELS)
    assert limit.value["iso"] == 3200 and limit.dial["iso"] == 3200
    assert "limit-at-highest" in limit.flags and limit.extra["at_least"] is True
    assert math.isnan(limit.ci_high) and limit.ci_low == 3200
    assert "at least" in limit.text
    unmeasured = NoisePoint(6400, "G", 0.06, 0.001, math.nan, math.nan, 1000, math.nan, math.nan, flags=("no-dark",))
    limit = iso_limit([*points, unmeasured], None, Criteria(snr=10), PIXELS)
    assert limit.value["iso"] == 3200 and "From ISO 6400 on read noise could not be measured" in limit.text
    # met by less than its error: the lower end says so
    barely = 0.999 * points[-1].snr_midgrey * math.sqrt(3)
    assert iso_limit(points, None, Criteria(snr=barely), PIXELS).ci_low < 3200


def test_not_met_at_the_lowest_is_told_with_the_fix():
    with pytest.raises(LimitsError, match=r"(?s)no measured ISO reaches SNR 400 .*ISO 100.*--criterion"):
        iso_limit(ladder(), None, Criteria(snr=400), PIXELS)


def test_no_read_noise_is_told_with_the_fix():
    points = [
        NoisePoint(iso, "G", 4.0, 0.1, math.nan, math.nan, 6e4, math.nan, math.nan, flags=("no-dark",)) for iso in ISOS
    ]
    with pytest.raises(LimitsError, match=r"(?s)neither|no ISO limit.*no-dark.*cap on"):
        iso_limit(points, None, Criteria(), PIXELS)
    with pytest.raises(LimitsError, match="no points"):
        iso_limit([], None, Criteria(), PIXELS)


def test_correlated_noise_lowers_the_limit_and_says_so():
    smooth = ladder(flags=("correlated-noise",), spectrum=LOW_HALF)
    # 24 to 4 MP: a picture of 0.41 of the (monochrome) sensor's Nyquist frequency, all of it in the dense half:
    # four times the power of white noise, as if the picture had four times the pixels
    plain, marked = (iso_limit(points, None, Criteria(snr=20, output_mp=4), PIXELS) for points in (ladder(), smooth))
    assert marked.value["iso"] == pytest.approx(true_limit(20, 16.0), rel=1e-6)
    assert plain.value["iso"] == pytest.approx(true_limit(20, 4.0), rel=1e-6)
    assert "correlated-noise" in marked.flags and "noise-reduced: the limit follows from the measured" in marked.text
    # between 0.5 and 1 of Nyquist power is spent: density 1 / share^2
    partly = iso_limit(smooth, None, Criteria(snr=20, output_mp=24 * 0.75**2), PIXELS)
    assert partly.value["iso"] == pytest.approx(true_limit(20, 24.0), rel=1e-6)
    # as many output pixels as sensor pixels: nothing is averaged, nothing was corrected
    uncorrected = iso_limit(smooth, None, Criteria(snr=5, output_mp=24), PIXELS)
    assert uncorrected.value == iso_limit(ladder(), None, Criteria(snr=5, output_mp=24), PIXELS).value
    assert "noise-reduced: the limit holds for these files only" in uncorrected.text
    # the flag alone proves nothing about the spectrum, nor does its absence
    assert iso_limit(ladder(flags=("correlated-noise",)), None, Criteria(snr=20), PIXELS).value["iso"] == pytest.approx(
        true_limit(20), rel=1e-6
    )
    unmarked = iso_limit(ladder(spectrum=LOW_HALF), None, Criteria(snr=20, output_mp=4), PIXELS)
    assert unmarked.value == marked.value and "The noise is not white" in unmarked.text


def test_planes_of_a_pattern_reach_the_picture_at_higher_frequencies():
    smooth = ladder(spectrum=LOW_HALF)
    assert plane_pitch_px(smooth) == 1
    bayer = [*smooth, *(replace(p, channel="G1") for p in smooth)]
    assert plane_pitch_px(bayer) == 2
    assert plane_pitch_px([*smooth, *(replace(p, channel="R") for p in smooth)]) == 6
    # 24 to 1.5 MP: a quarter of the sensor's Nyquist frequency is half the plane's
    limit = iso_limit(bayer, None, Criteria(snr=40, output_mp=1.5), PIXELS)
    assert limit.value["iso"] == pytest.approx(true_limit(40, 6.0), rel=1e-6)
    # 24 to 6 MP: all frequencies of the plane, white or not
    limit = iso_limit(bayer, None, Criteria(snr=20, output_mp=6), PIXELS)
    assert limit.value["iso"] == pytest.approx(true_limit(20, 6.0), rel=1e-6)


def test_white_noise_is_normalised_by_pixels_alone():
    noisy_but_white = tuple(1.0 + 0.3 * e for e in white_stderr(100))
    limit = iso_limit(ladder(spectrum=noisy_but_white, blocks=100), None, Criteria(snr=20), PIXELS)
    assert limit.value == iso_limit(ladder(), None, Criteria(snr=20), PIXELS).value
    assert "white" not in limit.text


def test_spectra_are_told_by_frequency_on_the_sensor():
    points = [*ladder(spectrum=LOW_HALF, isos=(100,)), *ladder(spectrum=(1.0,) * 16, isos=(200,)), *ladder(isos=(400,))]
    low, white = spectrum_entries([*points, replace(points[2], channel="G1")])
    assert (low["iso"], low["channel"], low["white"], white["white"]) == (100, "G", False, True)
    assert low["relative_power"] == list(LOW_HALF)
    # samples of a plane lie two apart: their Nyquist frequency is a quarter of a cycle per pixel of the sensor
    assert low["frequency_cy_per_px"][-1] == 0.25 and low["frequency_cy_per_px"][3] == 1 / 16


def test_the_stricter_of_mid_grey_and_shadow_binds():
    points = ladder()
    grey = iso_limit(points, None, Criteria(snr=20), PIXELS)
    for wanted in (1.0, 3.0, 6.0):
        criteria = Criteria(snr=20, shadow_stops=4, shadow_snr=wanted)
        limit = iso_limit(points, None, criteria, PIXELS)
        # the shadow's own limit in closed form: mid-grey's signal is 16 times less
        shadow = true_limit(wanted, fraction=10 / 78 / 16)
        assert limit.value["iso"] == pytest.approx(min(grey.value["iso"], shadow), rel=1e-6)
        assert limit.extra["binds"] == ("shadow" if shadow < grey.value["iso"] else "mid-grey")
        assert limit.criterion == {"snr": 20, "output_mp": 8.0, "shadow_stops": 4, "shadow_snr": wanted}
        assert f"SNR {wanted:g} in a shadow 4 stops below mid-grey" in limit.text
    assert limit.extra["binds"] == "shadow" and "What binds is SNR 6 in a shadow 4 stops below mid-grey." in limit.text
    with pytest.raises(
        LimitsError, match=r"(?s)no measured ISO reaches SNR 900 in a shadow 8 stops below.*shadow_snr="
    ):
        iso_limit(points, None, Criteria(shadow_stops=8, shadow_snr=900), PIXELS)


def test_a_print_stands_for_megapixels():
    criteria = Criteria(snr=20, print_long_side_cm=30, viewing_distance_cm=40)
    limit = iso_limit(ladder(), None, criteria, PIXELS, frame_shape=(4000, 6000))
    assert limit.criterion["output_mp"] == pytest.approx(4.43, abs=0.01)
    assert limit.value["iso"] == pytest.approx(true_limit(20, limit.criterion["output_mp"]), rel=1e-6)
    assert "30 cm seen from 40 cm shows 4.4 MP" in limit.text and "visual acuity 1.0, ISO 8596" in limit.text
    assert "camera has" not in limit.text
    large = iso_limit(ladder(), None, Criteria(snr=9, print_long_side_cm=300, viewing_distance_cm=40), PIXELS)
    assert large.criterion["output_mp"] == pytest.approx(24.0, rel=1e-3) and "the camera has 24 MP" in large.text


def test_noise_of_rows_is_told_where_it_matters():
    quiet, banded = (
        iso_limit(ladder(row_noise_e=e, column_noise_e=0.0), None, Criteria(snr=10), PIXELS) for e in (0.1, 6.0)
    )
    assert quiet.value == banded.value  # it is no part of the criterion
    assert "whole rows" not in quiet.text
    # mid-grey S [e-] at the limit: white variance S + 1.6^2 + (3^2 + 1/12) g^2 over 3 pixels, rows over sqrt 3
    gain = K / banded.value["iso"]
    white = 10 / 78 * gain * RANGE_DN + 1.6**2 + (9 + 1 / 12) * gain**2
    loss = 1 - 1 / math.sqrt(1 + 36 / math.sqrt(3) / (white / 3))
    assert f"takes {100 * loss:.0f} % more of the SNR" in banded.text


def test_where_the_second_stage_begins_between_two_points_the_interval_spans_both():
    # sigma_0 falls from 8 to 4 e- somewhere between 6400 and 12800, where SNR falls through the criterion
    low = [point(iso, K / iso, math.hypot(8 * iso / K, 1.0), 1e-6, 1e-6) for iso in ISOS[:7]]
    high = [point(iso, K / iso, math.hypot(4 * iso / K, 1.0), 1e-6, 1e-6) for iso in ISOS[7:]]
    fit = fit_noise_iso(low + high)
    assert fit.dual_gain_iso == 12_800
    wanted = 8.1 * math.sqrt(3)
    early, late = true_limit(wanted, sigma_0=8, sigma_1=1.0), true_limit(wanted, sigma_0=4, sigma_1=1.0)
    assert 6400 < early < late < 12_800
    limit = iso_limit(low + high, fit, Criteria(snr=wanted), PIXELS)
    assert early < limit.value["iso"] < late
    assert (limit.ci_low, limit.ci_high) == (pytest.approx(early, rel=1e-3), pytest.approx(late, rel=1e-3))
    # without the fit nothing is known of the stages, and the interval is that of the points alone
    alone = iso_limit(low + high, None, Criteria(snr=wanted), PIXELS)
    assert alone.ci_high / alone.ci_low < 1.001
