"""The ISO limit between two ISO values whose read noise nobody measured."""

from __future__ import annotations

import math

import numpy as np
import pytest

from kitgauge.limits.read_noise_unknown import MidgreySnr, crossing_without_read_noise, one_read_noise_e


def snr(electrons, read_e):
    return electrons / math.sqrt(electrons + read_e**2)


def crossing(electrons_below, stops, read_e, wanted):
    """Stops above the lower ISO at which a camera of one read noise falls through `wanted`, by halving."""
    low, high = 0.0, stops
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if snr(electrons_below / 2**middle, read_e) >= wanted else (low, middle)
    return low


@pytest.mark.parametrize("read_e", [0.05, 1.0, 3.0, 8.0, 25.0])
@pytest.mark.parametrize("electrons", [300.0, 5000.0])
def test_one_read_noise_is_found_from_two_snr(read_e, electrons):
    assert one_read_noise_e(snr(electrons, read_e), snr(electrons / 16, read_e), 4.0) == pytest.approx(read_e, rel=1e-4)


@pytest.mark.parametrize("read_e", [0.0, 3.0, 12.0])
def test_the_limit_of_a_camera_of_one_read_noise_is_exact_where_a_chord_is_not(read_e):
    electrons, stops = 1600.0, 5.0
    below, above = snr(electrons, read_e), snr(electrons / 32, read_e)
    wanted = math.sqrt(below * above)
    iso, stderr, low, high = crossing_without_read_noise(
        MidgreySnr(800.0, below, 0.0), MidgreySnr(25600.0, above, 0.0), wanted
    )
    true = crossing(electrons, stops, read_e, wanted)
    assert math.log2(iso / 800.0) == pytest.approx(true, abs=1e-6)
    assert stderr == 0.0 and low < iso < high
    if read_e == 12.0:
        assert abs(2.5 - true) > 0.15, "a straight line in log SNR over log ISO: half of the way"


def test_snr_that_no_camera_of_one_read_noise_has_is_interpolated():
    # falls by less than half a stop per stop: ISO values that are not what they say
    assert one_read_noise_e(20.0, 6.0, 4.0) is None
    iso, _, low, high = crossing_without_read_noise(MidgreySnr(100, 20.0, 0.1), MidgreySnr(1600, 6.0, 0.1), 10.0)
    assert math.log2(iso / 100) == pytest.approx(4 * math.log(2) / math.log(20 / 6))
    assert 100 <= low < iso < high <= 1600


@pytest.mark.parametrize("read_e", [0.0, 5.0, 20.0])
def test_errors_of_the_points_reach_the_limit(read_e):
    rng = np.random.default_rng(5)
    below, above = snr(1600.0, read_e), snr(100.0, read_e)
    wanted = math.sqrt(below * above)

    def limit(first, second):
        points = MidgreySnr(100, first, 0.01 * first), MidgreySnr(1600, second, 0.01 * second)
        return crossing_without_read_noise(*points, wanted)

    draws = [limit(below * (1 + 0.01 * x), above * (1 + 0.01 * y))[0] for x, y in rng.standard_normal((600, 2))]
    assert limit(below, above)[1] == pytest.approx(float(np.std(np.log2(draws))), rel=0.3)


@pytest.mark.parametrize(("below", "above", "wanted"), [(10.0, 5.0, 11.0), (10.0, 5.0, 4.0), (10.0, 5.0, 5.0)])
def test_a_wanted_snr_outside_is_refused(below, above, wanted):
    with pytest.raises(ValueError, match="not between"):
        crossing_without_read_noise(MidgreySnr(100, below, 0.1), MidgreySnr(1600, above, 0.1), wanted)


@pytest.mark.statistical
def test_the_interval_holds_cameras_with_a_second_stage_anywhere_between():
    rng = np.random.default_rng(11)
    held, naive = 0, 0
    for _ in range(400):
        first, stops = rng.uniform(1.0, 9.0), rng.integers(2, 6)
        second = first * rng.uniform(0.3, 1.0)
        change = rng.uniform(0.0, float(stops))
        electrons = 10.0 ** rng.uniform(2.3, 3.8)

        def at(x, electrons=electrons, change=change, first=first, second=second):
            return snr(electrons / 2**x, first if x < change else second)

        below, above = at(0.0), at(float(stops))
        wanted = above * (below / above) ** rng.uniform(0.1, 0.9)
        grid = np.linspace(0.0, float(stops), 4001)
        true = grid[np.nonzero([at(x) >= wanted for x in grid])[0][-1]]
        error = 0.004
        measured = [value * (1 + error * rng.standard_normal()) for value in (below, above)]
        if not measured[0] > wanted > measured[1]:
            continue
        iso, stderr, low, high = crossing_without_read_noise(
            MidgreySnr(100.0, measured[0], error * measured[0]),
            MidgreySnr(100.0 * 2.0**stops, measured[1], error * measured[1]),
            wanted,
        )
        held += low <= 100 * 2**true <= high
        naive += abs(math.log2(iso / 100.0) - true) <= 1.96 * stderr
    assert held >= 0.95 * 400
    assert naive < 0.8 * 400, "the errors of the two points alone do not tell what lies between them"
