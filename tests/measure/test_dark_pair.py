"""Dark pairs against a simulation that shares no code with the package (EMVA 1288 Release 4 Linear, dark
noise)."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from simulated_pairs import dark_pair, frame, shading

from kitgauge.measure.noise.dark_pair import DarkPair, measure_dark_pair


@pytest.mark.statistical
@pytest.mark.parametrize(
    ("gain", "read_e", "conditions"),
    [
        (2.0, 5.0, {}),
        (2.0, 5.0, {"hot": 40, "row_dn": 2.0, "column_dn": 1.0}),
        (5.0, 3.5, {"hot": 40}),  # 0.7 DN: rounding is a seventh of the variance
        (0.05, 2.0, {"hot": 40}),
    ],
)
def test_variance_is_unbiased_and_its_error_honest(gain, read_e, conditions):
    seeds = 60
    true = (read_e / gain) ** 2 + 1 / 12
    pairs = [
        measure_dark_pair(*dark_pair(np.random.default_rng(seed), (160, 176), gain, read_e, **conditions))
        for seed in range(seeds)
    ]
    pulls = [(pair.variance_dn2 - true) / pair.variance_stderr_dn2 for pair in pairs]
    assert abs(np.mean(pulls)) < 3.5 / math.sqrt(seeds)
    assert 0.7 < np.std(pulls) < 1.3
    assert np.mean([pair.mean_dn for pair in pairs]) == pytest.approx(
        512.0, abs=0.3 if "row_dn" in conditions else 0.05
    )
    assert not any(pair.flags for pair in pairs)


def test_plain_standard_deviation_counts_the_fixed_pattern():
    rng = np.random.default_rng(1)
    pattern = 6.0 * rng.standard_normal((300, 300))
    a, b = (np.round(512 + pattern + 2.0 * rng.standard_normal((300, 300))).astype(np.uint16) for _ in range(2))
    pair = measure_dark_pair(a, b)
    assert math.sqrt(pair.variance_dn2 - 1 / 12) == pytest.approx(2.0, rel=0.01)
    assert pair.dsnu_dn == pytest.approx(6.0, rel=0.02)
    assert a.std() > 6


def test_noise_of_rows_is_kept_apart():
    pair = measure_dark_pair(*dark_pair(np.random.default_rng(2), (400, 300), row_dn=3.0))
    assert math.sqrt(pair.row_variance_dn2) == pytest.approx(3.0, rel=0.12)  # 400 rows: 3.5 %
    assert pair.variance_dn2 == pytest.approx(6.25 + 1 / 12, rel=0.02)


@pytest.mark.parametrize(("black", "clipped"), [(0.0, True), (2.5, True), (5.0, True), (20.0, False), (512.0, False)])
def test_black_cut_off_at_the_lowest_code_is_seen(black, clipped):
    # 2.5 DN of read noise: at 5 DN black, 2 % of samples are cut off; at 20 DN none
    pair = measure_dark_pair(*dark_pair(np.random.default_rng(3), black=black))
    assert ("clipped-black" in pair.flags) == clipped
    if clipped:
        # the share of a Gaussian below half a code
        share = 0.5 * math.erfc((black - 0.5) / 2.5 / math.sqrt(2))
        assert pair.lowest_code_share == pytest.approx(share, rel=0.1, abs=0.002)


def test_dead_samples_do_not_look_like_clipped_black():
    a, b = dark_pair(np.random.default_rng(4))
    a[5, :20] = b[5, :20] = 0
    assert "clipped-black" not in measure_dark_pair(a, b).flags


def test_all_samples_alike_tell_nothing():
    samples = np.zeros((64, 64), np.uint16)
    pair = measure_dark_pair(samples, samples)
    assert "clipped-black" in pair.flags
    assert pair.variance_dn2 == 0 and math.isnan(pair.variance_stderr_dn2)


def test_light_leak_by_unevenness():
    rng = np.random.default_rng(5)
    even = [frame(rng, np.full((200, 200), 60.0), 2.0, 5.0) for _ in range(2)]
    assert "light-leak" not in measure_dark_pair(*even).flags  # the level alone is judged beside the whole run
    light = 40.0 * shading((200, 200), 0.0, 1.0)
    uneven = [frame(rng, light, 2.0, 5.0) for _ in range(2)]
    assert "light-leak" in measure_dark_pair(*uneven).flags


def test_record_survives_json():
    pair = measure_dark_pair(*dark_pair(np.random.default_rng(6)))
    assert DarkPair.from_dict(json.loads(json.dumps(pair.as_dict()))) == pair
