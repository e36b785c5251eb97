"""SNR at mid-grey from flats near mid-grey alone, whatever the read noise is."""

from __future__ import annotations

import math

import numpy as np
import pytest

from kitgauge.measure.noise.midgrey_snr import MOST_READ_NOISE_E, electrons_for, midgrey_snr


def variance_dn2(level_dn, gain, read_e):
    return level_dn / gain + (read_e / gain) ** 2


@pytest.mark.parametrize("read_e", [0.0, 2.0, 5.0, 9.5])
@pytest.mark.parametrize("electrons", [30.0, 400.0, 8000.0])
@pytest.mark.parametrize("off_stops", [-0.5, -0.2, 0.0, 0.2, 0.5])
def test_the_error_holds_what_the_read_noise_may_be(read_e, electrons, off_stops):
    gain, midgrey = 0.2, electrons / 0.2
    level = midgrey * 2.0**off_stops
    variance = variance_dn2(level, gain, read_e)
    snr, stderr = midgrey_snr(level, variance, 0.0, midgrey)
    true = electrons / math.sqrt(electrons + read_e**2)
    # an even distribution ends at root of 3 standard deviations; the rest is the second order in the level
    assert abs(snr - true) <= 1.75 * stderr + (0.02 * abs(off_stops) + 1e-12) * true
    assert off_stops != 0.0 or (snr == pytest.approx(true) and stderr == 0.0)
    # carrying SNR itself over unchanged is wrong by a quarter of a stop at half a stop
    if off_stops == 0.5:
        assert abs(level / math.sqrt(variance) / true - 1) > 0.15


def test_far_from_mid_grey_nothing_is_said():
    assert all(math.isnan(value) for value in midgrey_snr(2000.0, 500.0, 1.0, 999.0))
    assert all(math.isnan(value) for value in midgrey_snr(2000.0, 500.0, 1.0, 4001.0))
    assert all(math.isnan(value) for value in midgrey_snr(0.0, 500.0, 1.0, 4001.0))
    assert all(math.isnan(value) for value in midgrey_snr(2000.0, 0.0, 1.0, 2000.0))


def test_an_error_of_the_variance_counts_half():
    snr, stderr = midgrey_snr(2000.0, 500.0, 5.0, 2000.0)
    assert stderr / snr == pytest.approx(0.005)


def test_electrons_for_inverts_the_snr():
    for electrons in (1.0, 50.0, 4000.0):
        for read_e in (0.0, 3.0, MOST_READ_NOISE_E):
            assert electrons_for(electrons / np.sqrt(electrons + read_e**2), read_e) == pytest.approx(electrons)
