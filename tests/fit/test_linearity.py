"""Linearity: the published simulated camera's bend, straight sensors, and what shutter scatter does to it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from made_flats import BLACK_DN, RANGE_DN, flat_pair, plane

from kitgauge.fit.noise.flat_levels import flat_levels, light_scatter
from kitgauge.fit.noise.linearity import fit_linearity, linearity

SHARES = np.array([0.06, 0.12, 0.24, 0.45, 0.7, 0.93])


def relative_line(exposure, level):
    """The line of least relative deviations, by an independent route: numpy's weighted polynomial fit."""
    slope, offset = np.polyfit(exposure, level, 1, w=1 / level)
    return offset + slope * exposure


def test_the_published_bend_is_read():
    # EMVA 1288 working group's simulated camera (doi:10.5281/zenodo.12705845): y' = y (1 - 0.02 (y/4095)^3), 51 equal
    # steps of light, dark value 29.4
    straight = 29.4 + np.arange(1, 52) * 1659.66 * 0.5 * 0.1
    bent = straight * (1 - 0.02 * (straight / 4095) ** 3) - 29.4 * (1 - 0.02 * (29.4 / 4095) ** 3)
    full = 4095 - 29.4
    inside = (bent >= 0.05 * full) & (bent <= 0.95 * full)
    exposure, level = np.arange(1, 52)[inside] * 1.0, bent[inside]
    found = fit_linearity(100, "G", exposure, [[v, v] for v in level], full)
    line = relative_line(exposure, level)
    assert found.departure == pytest.approx((level - line) / full, abs=1e-9)
    assert found.error_mean == pytest.approx(np.abs(level / line - 1).mean(), rel=1e-6)
    assert found.error_max == pytest.approx(np.abs(level - line).max() / full, rel=1e-6)
    # the bend takes 0.02 * 0.95^3 = 1.7 % off at the top, of which the line takes a part
    assert 0.005 < found.error_max < 0.017


def made(rng, shares, *, bend=0.0, scatter=0.001, frames=2):
    levels = [
        [s * RANGE_DN * (1 - bend * s**3) * (1 + scatter * rng.standard_normal()) for _ in range(frames)]
        for s in shares
    ]
    return fit_linearity(100, "G", shares, levels, RANGE_DN)


@pytest.mark.statistical
def test_errors_of_departures_cover_and_a_straight_sensor_is_called_straight():
    truth = made(np.random.default_rng(0), SHARES, bend=0.02, scatter=0.0)
    pulls, calls, bent = [], 0, 0
    for seed in range(300):
        one = made(np.random.default_rng(seed), SHARES, bend=0.02, scatter=0.002)
        pulls.append((np.array(one.departure) - truth.departure) / one.departure_stderr)
        calls += made(np.random.default_rng(seed), SHARES, scatter=0.002).p_value < 0.05
        bent += made(np.random.default_rng(seed), SHARES, bend=0.05, scatter=0.0005).p_value < 0.05
    # errors come from a scatter known to 6 degrees of freedom: Student's t, within 2.447 in 95 %
    share = np.mean(np.abs(pulls) < 2.447)
    assert 0.93 <= share <= 0.97
    assert 0.02 <= calls / 300 <= 0.09
    assert bent == 300


def test_fewer_than_three_levels_give_none_and_say_so():
    two = fit_linearity(400, "G", [1.0, 2.0], [[1000.0, 1001.0], [2000.0, 2002.0]], RANGE_DN)
    assert two.exposure_s == () and math.isnan(two.error_max)
    assert "ISO 400: 2 levels" in two.text and "3 needed" in two.text


def test_one_frame_per_setting_leaves_the_error_unknown():
    one = fit_linearity(100, "G", [1.0, 2.0, 4.0], [[1000.0], [2000.0], [4000.0]], RANGE_DN)
    assert one.error_max == pytest.approx(0, abs=1e-12)
    assert math.isnan(one.error_max_stderr) and math.isnan(one.p_value)
    assert "not known" in one.text


def ladder(times, level_per_s, *, f_number=4.0, flags=()):
    """Two greens of which the second is 1 % more sensitive; the second frame of a pair 1 % darker."""
    first = [(t, f_number, flat_pair(level_per_s * e, level_per_s * e * 0.99, flags=flags)) for t, e in times]
    second = [
        (t, f_number, flat_pair(1.01 * level_per_s * e, 1.01 * level_per_s * e * 0.99, flags=flags)) for t, e in times
    ]
    return [plane("G1", first), plane("G2", second)]


def test_exposures_are_exact_ones_and_greens_are_averaged_frame_by_frame():
    # marked 1/60 s is 1/64 s, 1/15 s is 1/16 s: levels of exact times are straight, of marked ones not
    planes = ladder([(1 / 60, 1 / 64), (1 / 15, 1 / 16), (1 / 8, 1 / 8)], 1e5)
    [found] = linearity({100.0: planes})
    assert found.exposure_s == pytest.approx((1 / 64 / 16, 1 / 16 / 16, 1 / 8 / 16))
    assert found.level_dn == pytest.approx([1e5 * t * 1.005 * 0.995 for t in (1 / 64, 1 / 16, 1 / 8)])
    assert found.error_max < 1e-9
    # two frames that differ by 1 %: a standard deviation of 0.71 %, not the 1 % between the greens as well
    assert found.scatter == pytest.approx(0.01 / math.sqrt(2), rel=0.01)
    naive = relative_line(np.array([1 / 60, 1 / 15, 1 / 8]), np.array(found.level_dn))
    assert np.abs(naive / found.level_dn - 1).max() > 0.01


def test_rejected_flats_and_levels_outside_the_range_are_left_out():
    planes = ladder([(1 / 64, 1 / 64), (1 / 32, 1 / 32), (1 / 16, 1 / 16)], 1e5)
    clipped = [(1 / 4, 4.0, flat_pair(15_000.0, 15_000.0, flags=("clipped",)))]
    dark = [(1 / 1000, 4.0, flat_pair(90.0, 90.0))]
    more = [
        plane(p.colour, [*((s, n, f) for (s, n), f in zip(p.flat_settings, p.flats, strict=True)), *clipped, *dark])
        for p in planes
    ]
    [found] = linearity({100.0: more})
    assert len(found.exposure_s) == 3
    [none] = linearity({100.0: ladder([(1 / 64, 1 / 64)], 1e5)})
    assert none.exposure_s == ()


def test_levels_of_more_than_two_frames():
    # Helmert's contrasts: frame 2 against 1, frame 3 against the mean of both
    pairs = [(0.01, 4.0, flat_pair(1010.0, 1000.0)), (0.01, 4.0, flat_pair(1020.0, 1005.0, reference_frames=2))]
    [one] = flat_levels([plane("G", pairs)])
    assert one.levels_dn == pytest.approx((1000.0, 1010.0, 1020.0))
    scatter, freedom = light_scatter([one.levels_dn, (500.0,)])
    assert freedom == 2 and scatter == pytest.approx(np.std(np.log([1000, 1010, 1020]), ddof=1))
    assert light_scatter([(500.0,)])[1] == 0


def test_another_black_level_moves_the_levels():
    base = plane("G", [(0.01, 4.0, flat_pair(1000.0, 1000.0))])
    moved = type(base)(base.colour, base.flats, (), BLACK_DN + 12.0, "dark", base.flat_settings)
    assert flat_levels([moved])[0].levels_dn == pytest.approx((988.0, 988.0))


def test_record_is_plain():
    record = made(np.random.default_rng(1), SHARES).as_dict()
    assert {"iso", "channel", "exposure_s", "level_dn", "departure", "departure_stderr", "error_max"} <= set(record)
    assert isinstance(record["departure"], list) and "error_max_stderr" in record and "text" in record
