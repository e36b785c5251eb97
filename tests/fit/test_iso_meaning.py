"""What ISO means: sensitivities from gains, digital values by name, shutter times and apertures against labels."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from made_flats import flat_pair, noise_point, plane

from kitgauge.exposure import exact_f_number, exact_iso, exact_shutter_s
from kitgauge.fit.noise.iso_meaning import iso_meaning
from kitgauge.fit.noise.noise_iso import fit_noise_iso
from kitgauge.fit.noise.shutter_accuracy import settings_accuracy

FULL = [100.0 * 2**k for k in range(9)]
THIRDS = [100.0, 125.0, 160.0, 200.0, 250.0, 320.0, 400.0, 500.0, 640.0, 800.0, 1000.0, 1250.0, 1600.0]


def camera(isos, k=400.0, sigma_0=2.5, sigma_1=3.0, rng=None, made=None, error=0.002):
    """Points of exact ISO values; `made`: ISO -> ISO that it is made from."""
    points = []
    for iso in isos:
        gain = k / exact_iso(iso)
        read = math.hypot(sigma_0, sigma_1 * k / exact_iso((made or {}).get(iso, iso)))
        if rng is not None:
            gain *= 1 + error * rng.standard_normal()
            read *= 1 + error * rng.standard_normal()
        points.append(noise_point(iso, gain, read, gain_error=error, read_error=2 * error))
    return points


def by_iso(meaning):
    return {value.iso: value for value in meaning.values}


def test_true_labels_are_called_true():
    points = camera(FULL, rng=np.random.default_rng(1))
    meaning = iso_meaning(points, fit_noise_iso(points), {})
    assert meaning.base_iso == 100
    for value in meaning.values:
        assert value.kind == "amplified" and value.made_from_iso is None
        assert value.labelled_stops == pytest.approx(math.log2(value.iso / 100))
        assert abs(value.departure_stops) < 4 * max(value.departure_stderr, 1e-9)
    assert "what their labels say" in meaning.text


def test_a_label_that_lies_is_told_with_its_stops():
    points = camera(FULL)
    points[5] = noise_point(3200.0, 400 / 3200 / 2**0.15, 2.6)
    value = by_iso(iso_meaning(points, fit_noise_iso(points), {}))[3200.0]
    assert value.kind == "amplified"
    assert value.departure_stops == pytest.approx(0.15, abs=1e-9)
    # gains known to 0.2 % each: 0.002 sqrt(2) / ln 2
    assert value.departure_stderr == pytest.approx(0.002 * math.sqrt(2) / math.log(2), rel=1e-6)
    assert value.text == "your ISO 3200 is 0.15 stops more sensitive than its label says, against ISO 100"


def test_a_pulled_value_seen_in_its_codes():
    points = camera(THIRDS)
    index = THIRDS.index(160.0)
    pulled = camera([160.0], made={160.0: 200.0})[0]
    points[index] = noise_point(160.0, pulled.gain_e_per_dn, pulled.read_noise_e, code_scale=160 / 200)
    meaning = iso_meaning(points, fit_noise_iso(points), {})
    value = by_iso(meaning)[160.0]
    assert (value.kind, value.made_from_iso, value.evidence) == ("pulled", 200.0, "codes")
    assert value.text == "your ISO 160 is ISO 200 pulled by 0.3 stops"
    assert "Your ISO 160 is ISO 200 pulled by 0.3 stops." in meaning.text
    assert sum(v.kind != "amplified" for v in meaning.values) == 1


def test_thirds_made_digitally_without_a_trace_in_the_codes_are_seen_in_read_noise():
    made = dict(zip(THIRDS[1::3], THIRDS[0::3], strict=False)) | dict(zip(THIRDS[2::3], THIRDS[3::3], strict=False))
    points = camera(THIRDS, sigma_1=6.0, rng=np.random.default_rng(3), made=made)
    meaning = by_iso(iso_meaning(points, fit_noise_iso(points), {}))
    for iso, value in meaning.items():
        if iso in made:
            assert (value.made_from_iso, value.evidence) == (made[iso], "read noise")
            assert value.kind == ("pushed" if made[iso] < iso else "pulled")
        else:
            assert value.kind == "amplified"
    assert meaning[640.0].text == "your ISO 640 is ISO 800 pulled by 0.3 stops"
    assert meaning[125.0].text == "your ISO 125 is ISO 100 pushed by 0.3 stops"


def test_a_high_value_pushed_by_a_whole_stop():
    points = camera(FULL)
    points.append(
        noise_point(51_200.0, 400 / 51_200, points[-1].read_noise_e, flags=("missing-codes",), code_scale=2.0)
    )
    value = by_iso(iso_meaning(points, fit_noise_iso(points), {}))[51_200.0]
    assert (value.kind, value.made_from_iso) == ("pushed", 25_600.0)
    assert value.text == "your ISO 51200 is ISO 25600 pushed by 1.0 stop"
    # codes are missing, the factor is not known: the highest amplified value below
    points[-1] = noise_point(51_200.0, 400 / 51_200, points[-2].read_noise_e, flags=("missing-codes",))
    assert by_iso(iso_meaning(points, fit_noise_iso(points), {}))[51_200.0].made_from_iso == 25_600.0


def test_a_low_value_that_is_the_base_iso_under_another_label():
    points = camera(FULL)
    low = noise_point(50.0, points[0].gain_e_per_dn * 1.001, points[0].read_noise_e)
    fit = fit_noise_iso([low, *points])
    meaning = iso_meaning([low, *points], fit, {})
    value = by_iso(meaning)[50.0]
    assert (value.kind, value.made_from_iso) == ("same as", 100.0)
    assert meaning.base_iso == 100
    assert value.departure_stops == pytest.approx(1.0, abs=0.01)
    assert fit.gain.value("k") == pytest.approx(400, rel=1e-3)  # not drawn away by the label
    assert fit.gain.points_dropped == ("ISO 50: not the amplification of its label",)


@pytest.mark.statistical
def test_errors_of_relative_sensitivity_cover():
    pulls = []
    for seed in range(200):
        points = camera(FULL, rng=np.random.default_rng(seed))
        pulls += [v.departure_stops / v.departure_stderr for v in iso_meaning(points, None, {}).values[1:]]
    assert 0.9 < np.std(pulls) < 1.1  # all share the base's error: fewer independent numbers than 1600


def test_without_gains_nothing_is_claimed():
    nothing = iso_meaning([noise_point(100.0, math.nan, math.nan)], None, {})
    assert nothing.base_iso is None and nothing.values == () and "not known" in nothing.text


# ---- shutter times and apertures


def flats(rng, points, settings, *, shutter=None, aperture=None, light_e=4e5, drift=0.003, trend=0.0):
    """Flats, a pair per ISO and setting: light of `light_e` electrons per second at f/1; true departures [stops]."""
    out = {}
    number = 0
    for point, ladder in zip(points, settings, strict=True):
        pairs = []
        for time, f_number in ladder:
            true_stops = (shutter or {}).get(time, 0.0) + (aperture or {}).get(f_number, 0.0) + trend * number
            number += 1
            electrons = light_e * exact_shutter_s(time) / exact_f_number(f_number) ** 2 * 2**true_stops
            gain = 400.0 / point.iso  # the true one, not the measured
            level = [electrons / gain * math.exp(drift * rng.standard_normal()) for _ in range(2)]
            pairs.append((time, f_number, flat_pair(*level)))
        out[point.iso] = [plane("G1", pairs), plane("G2", pairs)]
    return out


TIMES = [1 / 30, 1 / 60, 1 / 125, 1 / 250, 1 / 500, 1 / 1000, 1 / 2000, 1 / 4000, 1 / 8000]
LADDER = [[(time, 4.0)] for time in TIMES]


@pytest.mark.statistical
def test_shutter_departures_are_recovered_with_honest_errors():
    true = dict.fromkeys(TIMES, 0.0) | {1 / 4000: -0.06, 1 / 8000: -0.21}
    mean = np.mean(list(true.values()))
    pulls = []
    for seed in range(150):
        rng = np.random.default_rng(seed)
        points = camera(FULL, rng=rng)
        meaning = iso_meaning(points, None, flats(rng, points, LADDER, shutter=true))
        assert len(meaning.shutter) == 9 and meaning.aperture == ()
        pulls += [(one.departure_stops - true[one.setting] + mean) / one.stderr_stops for one in meaning.shutter]
    # the scatter of two frames each is taken for one setting's: errors on the generous side by up to sqrt(2)
    assert 0.7 < np.std(pulls) < 1.1
    assert abs(np.mean(pulls)) < 0.1
    assert "1/8000 s lets through 0.1" in meaning.text and "less light" in meaning.text
    assert "drifted slowly" in meaning.text


def test_gain_tells_iso_and_level_over_gain_tells_time():
    # an ISO label off by a tenth of a stop and a time off by as much the other way: levels alone show neither
    rng = np.random.default_rng(5)
    points = camera(FULL)
    points[3] = noise_point(800.0, 400 / 800 / 2**0.1, 2.5)
    planes = flats(rng, points, LADDER, shutter={1 / 250: -0.1}, drift=1e-4)
    # the samples are made with the gain of the label: raise them to the amplification that the camera really has
    raised = [(t, n, flat_pair(p.signal_dn * 2**0.1, p.signal_dn * 2**0.1 / p.ratio))
              for (t, n), p in zip(planes[800.0][0].flat_settings, planes[800.0][0].flats, strict=True)]  # fmt: skip
    planes[800.0] = [plane("G1", raised)]
    meaning = iso_meaning(points, None, planes)
    value = by_iso(meaning)[800.0]
    assert value.from_level_stops == pytest.approx(3.0, abs=0.01)  # the naive reading: nothing amiss
    assert value.departure_stops == pytest.approx(0.1, abs=0.001)
    [time] = [one for one in meaning.shutter if one.setting == 1 / 250]
    assert time.departure_stops == pytest.approx(-0.1 * 8 / 9, abs=0.005)


def test_marked_times_are_taken_as_the_exact_ones_they_stand_for():
    rng = np.random.default_rng(6)
    points = camera(FULL)
    meaning = iso_meaning(points, None, flats(rng, points, LADDER, drift=1e-5))
    assert max(abs(one.departure_stops) for one in meaning.shutter) < 0.004
    assert "keep to their labels" in meaning.text
    # 1/60 against 1/125 as marked would be off by 0.059 stops
    assert math.log2((1 / 60) / (1 / 125)) - 1 > 0.05


def test_a_setting_that_is_hardly_known_does_not_blur_the_others():
    rng = np.random.default_rng(12)
    points = camera(FULL)
    gains = {p.iso: (p.gain_e_per_dn, 0.002 * p.gain_e_per_dn) for p in points}
    sure = settings_accuracy(gains, flats(np.random.default_rng(12), points, LADDER))
    gains[25_600.0] = (1.4 * points[-1].gain_e_per_dn, 0.5 * points[-1].gain_e_per_dn)
    unsure = settings_accuracy(gains, flats(rng, points, LADDER))
    assert unsure.shutter[0].setting == 1 / 8000 and unsure.shutter[0].stderr_stops > 0.4
    for one, other in zip(sure.shutter[1:], unsure.shutter[1:], strict=True):
        assert other.stderr_stops < 1.1 * one.stderr_stops
        assert other.departure_stops == pytest.approx(one.departure_stops, abs=0.003)
    assert "1/8000" not in unsure.text


def test_time_and_aperture_apart_where_settings_cross():
    rng = np.random.default_rng(7)
    points = camera(FULL[:2])
    grid = [[(t, n) for t in (1 / 60, 1 / 125) for n in (2.8, 4.0, 5.6)] for _ in range(2)]
    planes = flats(rng, points, grid, shutter={1 / 125: -0.08}, aperture={2.8: -0.15}, drift=1e-4)
    meaning = iso_meaning(points, None, planes)
    assert [one.departure_stops for one in meaning.shutter] == pytest.approx([-0.04, 0.04], abs=0.002)
    assert {one.setting: one.departure_stops for one in meaning.aperture}[2.8] == pytest.approx(-0.10, abs=0.002)
    assert {one.setting: one.departure_stops for one in meaning.aperture}[5.6] == pytest.approx(0.05, abs=0.002)


def test_time_and_aperture_that_change_together_are_not_told_apart():
    rng = np.random.default_rng(8)
    points = camera(FULL[:3])
    planes = flats(rng, points, [[(1 / 30, 5.6)], [(1 / 60, 4.0)], [(1 / 125, 2.8)]])
    meaning = iso_meaning(points, None, planes)
    assert meaning.shutter == () and meaning.aperture == ()
    assert "cannot be told" in meaning.text


def test_drift_is_told_from_repeats_and_slow_drift_looks_like_shutter_errors():
    rng = np.random.default_rng(9)
    points = camera(FULL, error=1e-5)
    steady = settings_accuracy(
        {p.iso: (p.gain_e_per_dn, 1e-6) for p in points}, flats(rng, points, LADDER, drift=0.004)
    )
    assert steady.light_drift_stops == pytest.approx(0.004 / math.log(2), rel=0.6)
    # 0.02 stops per setting: pairs do not show it, the shutter times seem to fall off steadily
    slow = settings_accuracy(
        {p.iso: (p.gain_e_per_dn, 1e-6) for p in points}, flats(rng, points, LADDER, drift=0.001, trend=0.02)
    )
    assert slow.light_drift_stops < 0.004
    assert max(abs(one.departure_stops) for one in slow.shutter) > 0.06
    # one setting met at every ISO shows it
    met = [[(1 / 60, 4.0), (time, 4.0)] for time in TIMES]
    seen = settings_accuracy(
        {p.iso: (p.gain_e_per_dn, 1e-6) for p in points}, flats(rng, points, met, drift=0.001, trend=0.02)
    )
    assert seen.light_drift_stops > 0.05


def test_one_flat_per_setting_leaves_errors_unknown():
    planes = {iso: [plane("G", [(t, 4.0, flat_pair(1000.0, 1000.0, reference_frames=2))])] for iso, t in
              zip(FULL[:3], TIMES, strict=False)}  # fmt: skip
    found = settings_accuracy({iso: (400 / iso, 0.001) for iso in FULL[:3]}, planes)
    assert math.isnan(found.light_drift_stops)
    assert all(math.isnan(one.stderr_stops) for one in found.shutter)
    assert "not known" in found.text


def test_record_is_plain():
    rng = np.random.default_rng(10)
    points = camera(FULL, rng=rng)
    record = json.loads(json.dumps(iso_meaning(points, fit_noise_iso(points), flats(rng, points, LADDER)).as_dict()))
    assert set(record) == {"base_iso", "values", "shutter", "aperture", "light_drift_stops", "text"}
    assert set(record["shutter"][0]) == {"shutter_s", "departure_stops", "stderr_stops"}
    assert {"iso", "relative_stops", "relative_stops_stderr", "labelled_stops", "departure_stops", "departure_stderr",
            "kind", "made_from_iso", "text"} <= set(record["values"][0])  # fmt: skip


def test_at_most_three_shutter_times_in_a_sentence():
    rng = np.random.default_rng(7)
    points = camera(FULL)
    off = {time: 0.15 * (-1) ** index for index, time in enumerate(TIMES[:8])}
    text = iso_meaning(points, None, flats(rng, points, LADDER, shutter=off, drift=1e-4)).text
    assert text.count("lets through") == 3
    assert "; and 5 more (against the mean" in text
