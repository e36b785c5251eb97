"""One point per ISO of developed pictures: chains of pairs, levels, mid-grey."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from developed_pictures import BT709, decode_tables, encode, flat

from kitgauge.measure.developed.developed_noise import DevelopedPair, measure_developed_pair
from kitgauge.measure.developed.developed_points import MIDGREY_OF_WHITE, developed_point

UNKNOWN = (math.nan,) * 16


def pair(level=MIDGREY_OF_WHITE, noise=0.05, stderr=0.0005, flags=("rendered",), **changes):
    power = tuple(noise**2 * (k / 16) ** 2 for k in range(1, 17))
    error = tuple(2 * stderr / noise * value for value in power)
    values = DevelopedPair(
        level=level, ratio=1.0,
        luminance_noise=noise, luminance_noise_stderr=stderr, luminance_bound=math.nan,
        luminance_power=power, luminance_power_stderr=error, luminance_rings=(1.0,) * 16,
        red_noise=noise, red_noise_stderr=stderr, red_bound=math.nan, red_power=power, red_rings=(1.0,) * 16,
        blue_noise=noise, blue_noise_stderr=stderr, blue_bound=math.nan, blue_power=power, blue_rings=(1.0,) * 16,
        rounding_noise=0.005, structure=0.0, flicker=0.0, moved=0.0, falloff=1.1, clipped_share=0.0,
        blocks=100, blocks_used=100, flags=flags,
    )  # fmt: skip
    return replace(values, **changes)


def unseen(level, bound):
    gone = {f"luminance_{name}": math.nan for name in ("noise", "noise_stderr")}
    return pair(
        level, flags=("rendered", "noise-below-rounding"), luminance_power=UNKNOWN, luminance_power_stderr=UNKNOWN,
        luminance_bound=bound, **gone,
    )  # fmt: skip


def test_midgrey_is_eighteen_percent():
    # ISO 12232, standard output sensitivity (from memory): code 118 of 255 in sRGB, 18 % of white
    assert pytest.approx(0.18, abs=0.002) == MIDGREY_OF_WHITE


def test_at_midgrey_nothing_is_carried_over():
    point = developed_point(800.0, [pair()])
    assert (point.snr_measured, point.snr_midgrey) == (pytest.approx(20.0), pytest.approx(20.0))
    assert point.snr_midgrey_stderr == pytest.approx(20.0 * 0.01)
    assert point.level_scaling_stderr == 0
    assert point.spectrum == pytest.approx([1.0] * 16)
    assert (point.noise_power_low, point.noise_power_high) == (pytest.approx(1 / 16), pytest.approx(0.75))
    assert "level-scaled" not in point.flags


@pytest.mark.parametrize("stops", [-2.0, -1.0, 1.0, 1.5])
def test_other_levels_lie_between_shot_and_constant_noise(stops):
    point = developed_point(800.0, [pair(MIDGREY_OF_WHITE * 2.0**stops)])
    shot, constant = 20.0 * 2.0 ** (-stops / 2), 20.0 * 2.0**-stops
    assert min(shot, constant) < point.snr_midgrey < max(shot, constant)
    # an even chance between the two: half the range of ln SNR over sqrt 3
    half_range = 0.5 * abs(math.log(shot / constant))
    assert point.level_scaling_stderr / point.snr_midgrey == pytest.approx(half_range / math.sqrt(3.0))
    assert point.snr_midgrey_stderr > point.level_scaling_stderr
    assert "level-scaled" in point.flags


def test_levels_on_both_sides_are_interpolated():
    """Shot noise at half and twice mid-grey: interpolation knows the slope, carrying over does not."""
    low, high = (pair(MIDGREY_OF_WHITE * f, 0.05 / math.sqrt(f)) for f in (0.5, 2.0))
    point = developed_point(800.0, [high, low])
    assert point.snr_midgrey == pytest.approx(20.0)
    assert point.levels == 2
    alone = developed_point(800.0, [low])
    assert abs(alone.snr_midgrey / 20.0 - 1) > 0.1
    assert point.level_scaling_stderr < 0.6 * alone.level_scaling_stderr


def test_what_rejects_is_left_out():
    point = developed_point(800.0, [pair(), pair(0.9, 0.01, flags=("rendered", "clipped"))])
    assert (point.pairs, point.snr_midgrey) == (1, pytest.approx(20.0))
    assert "clipped" in point.flags
    nothing = developed_point(800.0, [pair(flags=("rendered", "too-dark"))])
    assert math.isnan(nothing.snr_midgrey) and math.isnan(nothing.snr_at_least) and nothing.pairs == 0


def test_unseen_noise_gives_a_lower_bound():
    point = developed_point(100.0, [unseen(MIDGREY_OF_WHITE, 0.01)])
    assert math.isnan(point.snr_midgrey) and math.isnan(point.luminance_noise)
    assert point.snr_at_least == pytest.approx(100.0)
    assert point.level == MIDGREY_OF_WHITE
    # from twice the level: at worst the noise is constant; from half of it, at worst shot noise
    assert developed_point(100.0, [unseen(2 * MIDGREY_OF_WHITE, 0.01)]).snr_at_least == pytest.approx(50.0)
    assert developed_point(100.0, [unseen(MIDGREY_OF_WHITE / 2, 0.01)]).snr_at_least == pytest.approx(100 * 2**0.5)
    # where one level shows it, that one counts
    assert math.isnan(developed_point(100.0, [unseen(0.3, 0.01), pair()]).snr_at_least)


@pytest.mark.statistical
def test_error_of_a_chain_of_three_frames():
    """Pairs 1-2 and 2-3 share a frame: the error of their mean is more than that of two pairs of their own."""
    pulls = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        frames = [encode(flat(rng, (256, 384)), 16) for _ in range(3)]
        pairs = [measure_developed_pair(a, b, decode_tables(16), BT709) for a, b in itertools.pairwise(frames)]
        point = developed_point(800.0, pairs)
        assert point.pairs == 2
        pulls.append((point.luminance_noise - 0.05) / point.luminance_noise_stderr)
    assert abs(np.mean(pulls)) < 0.6
    assert 0.65 < np.std(pulls, ddof=1) < 1.35
