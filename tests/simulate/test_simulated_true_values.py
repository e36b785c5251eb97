"""True answers against formulas written out here and against SciPy's own solvers."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq, minimize_scalar

from kitgauge.limits.criteria import Criteria
from kitgauge.simulate import demo_kit, truth
from kitgauge.simulate.chart import position_in_frame
from kitgauge.simulate.true_values import as_plain, true_iso_limit

KIT = demo_kit()


@pytest.fixture(scope="module")
def known():
    return truth(KIT, paths=1000)


def test_noise_of_every_iso(known):
    assert [noise.iso for noise in known.noise] == [100 * 2**stop for stop in range(8)]
    at_1600 = known.noise_at(1600)
    gain = 2.5 / 16
    assert at_1600.gain_e_per_dn == gain
    assert at_1600.read_noise_e == pytest.approx(math.hypot(1.5, 1.4 * gain))
    assert at_1600.saturation_e == pytest.approx((16383 - 600.5) * gain)
    assert known.dual_gain_iso == 800


def test_iso_limit_solves_the_criterion():
    """SNR: S/sqrt(S + r^2) sqrt(sensor pixels/output pixels), S = 10/78 of saturation (ISO 12232)."""

    def excess(iso):
        gain = 250 / iso
        signal = 10 / 78 * (16383 - 600.5) * gain
        read = math.hypot(1.5, 1.4 * gain)
        return signal / math.sqrt(signal + read**2) * math.sqrt(1080 * 1620 / 8e6) - 10

    assert true_iso_limit(KIT, Criteria()) == pytest.approx(brentq(excess, 801, 12000), rel=1e-9)


def test_no_iso_limit_where_the_criterion_holds_or_fails_everywhere():
    assert true_iso_limit(KIT, Criteria(snr=1000.0)) is None
    assert true_iso_limit(KIT, Criteria(snr=0.5)) is None


def test_sharpest_f_number_and_range_by_another_search(known):
    for place, square in ((0.5, 0.5), KIT.chart.squares[7]), ((0.1, 1 / 6), KIT.chart.squares[0]):
        x, y = position_in_frame(square, KIT.shape)

        def loss(log_n, x=x, y=y):
            return -KIT.lens.mtf50_cy_per_px(math.exp(log_n), 6.0, x, y, angle_deg=5.0)

        best = minimize_scalar(loss, bounds=(math.log(2), math.log(20)), method="bounded", options={"xatol": 1e-8})
        found = known.aperture_at(*place)
        assert found.sharpest_f_number == pytest.approx(math.exp(best.x), rel=1e-4)
        low = brentq(lambda v, f=loss, t=best.fun: f(v) - 0.9 * t, math.log(1.8), best.x)
        high = brentq(lambda v, f=loss, t=best.fun: f(v) - 0.9 * t, best.x, math.log(22))
        assert found.sharp_range == pytest.approx((math.exp(low), math.exp(high)), rel=1e-6)


def test_mtf50_by_dense_sampling_of_the_curve(known):
    nu = np.linspace(0, 0.6, 60_001)
    for f_number, square in ((2.0, KIT.chart.squares[0]), (8.0, KIT.chart.squares[7])):
        x, y = position_in_frame(square, KIT.shape)
        curve = KIT.lens.mtf(nu, f_number, 6.0, x, y, angle_deg=5.0)
        expected = nu[np.argmax(curve < 0.5)]
        assert known.mtf50_at(f_number, (x + 1) / 2, (y + 1) / 2) == pytest.approx(expected, abs=2e-5)


def test_corners_are_worse_and_need_stopping_down(known):
    centre, corner = known.aperture_at(0.5, 0.5), known.aperture_at(0.0, 0.0)
    assert corner.sharpest_f_number > centre.sharpest_f_number
    assert known.mtf50_at(2.8, 0.0, 0.0) < 0.8 * known.mtf50_at(2.8, 0.5, 0.5)


def test_shutter_limits_are_ordered_and_use_the_default_streak(known):
    assert known.streak_limit_px == pytest.approx(math.hypot(1080, 1620) / 1500)
    limits = known.shutter_limits_s
    assert set(limits) == {0.5, 0.8, 0.9}
    assert limits[0.5] > limits[0.8] > limits[0.9]
    assert truth(replace(KIT, technique="braced"), paths=1000).shutter_limits_s[0.8] > 1.5 * limits[0.8]


def test_unknown_settings_are_not_guessed(known):
    with pytest.raises(KeyError):
        known.noise_at(250)
    with pytest.raises(KeyError):
        known.mtf50_at(7.1, 0.5, 0.5)


def test_truth_can_be_written_as_json(known):
    plain = json.loads(json.dumps(as_plain(known)))
    assert plain["noise"][0]["gain_e_per_dn"] == 2.5
    assert plain["shutter_limits_s"]["0.8"] == known.shutter_limits_s[0.8]
