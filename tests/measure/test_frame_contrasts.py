"""More than two frames of one setting: each against the mean of those before it (Helmert contrasts).

The simulation shares no code with the package. Bound: variances of Gaussian samples of unknown mean, n frames of N
samples, are known to sqrt(2 / (N (n - 1))) of themselves (Fisher information of a normal variance; standard).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from simulated_pairs import contrasts, frame, shading

from kitgauge.measure.noise.dark_pair import measure_dark_pair
from kitgauge.measure.noise.noise_points import PlanePairs, noise_points
from kitgauge.measure.noise.photon_transfer import measure_flat_pair

BLACK, WHITE, GAIN, READ_E = 600.0, 15871.0, 1.7, 4.5


def flats_of(frames):
    return contrasts(lambda a, b, **m: measure_flat_pair(a, b, BLACK, WHITE, **m), frames)


def camera(rng, shape, count, *, level_e=18_000.0, falloff=0.0, drift=0.0, move=0.0, prnu=0.0, order=None, row_dn=0.0):
    """`count` flats and darks; the light rises by `drift` and moves by `move` from one flat to the next."""
    response = 1 + prnu * rng.standard_normal(shape)
    steps = range(count) if order is None else order
    lights = [level_e * shading(shape, falloff, move * step) * (1 + drift * step) for step in steps]
    kind = {"black": BLACK, "white": int(WHITE), "row_dn": row_dn}
    flats = [frame(rng, light, GAIN, READ_E, response=response, **kind) for light in lights]
    return flats, [frame(rng, np.zeros(shape), GAIN, READ_E, **kind) for _ in range(count)]


def point_of(rng, colours, shape, count, **conditions):
    planes = []
    for colour in colours:
        flats, darks = camera(rng, shape, count, **conditions)
        planes.append(PlanePairs(colour, flats_of(flats), contrasts(measure_dark_pair, darks)))
    return next(point for point in noise_points(100, planes) if point.channel == "G")


def bound(level_e, samples, count):
    shot, dark = 2 * level_e / GAIN**2, (READ_E / GAIN) ** 2 + 1 / 12
    errors = math.sqrt(2 / (samples * (count - 1))) * np.array([shot + 2 * dark, dark])
    relative_k = np.array([1.0, -2.0]) / shot
    relative_read = np.array([0.0, 0.5 / (dark - 1 / 12)]) - relative_k
    return np.array([math.hypot(*(relative_k * errors)), math.hypot(*(relative_read * errors))])


HARD = {"falloff": 0.3, "drift": 0.015, "move": 0.004, "prnu": 0.006, "row_dn": 2.0}


@pytest.mark.statistical
@pytest.mark.parametrize(
    ("colours", "shape", "count", "conditions", "seeds"),
    [
        ("G", (112, 128), 2, HARD, 200),
        ("G", (112, 128), 3, HARD, 60),
        ("G", (112, 128), 5, HARD, 30),
        ("G", (96, 112), 10, {}, 20),
        (("G1", "G2"), (104, 112), 3, HARD, 30),
        ("G" * 20, (66, 80), 2, {"drift": 0.015}, 20),  # greens of a 6 x 6 pattern
    ],
)
def test_efficiency_and_honest_errors(colours, shape, count, conditions, seeds):
    errors, pulls, stated = [], [], []
    for seed in range(seeds):
        point = point_of(np.random.default_rng(seed), colours, shape, count, **conditions)
        error = np.array([point.gain_e_per_dn - GAIN, point.read_noise_e - READ_E])
        stderr = np.array([point.gain_e_per_dn_stderr, point.read_noise_e_stderr])
        errors.append(error / (GAIN, READ_E))
        pulls.append(error / stderr)
        stated.append(stderr / (GAIN, READ_E))
    level = point.signal_e
    lower = bound(level, shape[0] * shape[1] * len(colours), count)
    scatter = 1 / math.sqrt(2 * seeds)  # of a standard deviation
    # the stated variance does not scatter: at most 1.1 times the bound, and the scatter over seeds agrees with it
    assert np.all(np.mean(stated, axis=0) ** 2 < 1.1 * lower**2)
    assert np.all(np.mean(stated, axis=0) > 0.97 * lower)
    assert np.all(np.abs(np.std(pulls, axis=0) - 1) < 3.5 * scatter)
    assert np.all(np.abs(np.mean(pulls, axis=0)) < 3.5 / math.sqrt(seeds))
    assert np.all(np.var(errors, axis=0) < 1.1 * lower**2 * (1 + 7 * scatter))


def test_each_frame_tells_as_much_as_one_more():
    rng = np.random.default_rng(1)
    errors = {n: point_of(rng, "G", (112, 128), n, **HARD).gain_e_per_dn_stderr for n in (2, 3, 10)}
    # 1, 2 and 9 differences; an odd third frame left over would leave 1
    assert errors[3] == pytest.approx(errors[2] / math.sqrt(2), rel=0.05)
    assert errors[10] == pytest.approx(errors[2] / 3, rel=0.06)


@pytest.mark.statistical
def test_contrasts_have_nothing_in_common():
    variances = []
    for seed in range(150):
        flats, _ = camera(np.random.default_rng(seed), (64, 64), 4, drift=0.02, prnu=0.01)
        variances.append([pair.variance_dn2 for pair in flats_of(flats)])
    correlation = np.corrcoef(np.array(variances).T)
    assert np.all(np.abs(correlation[np.triu_indices(3, 1)]) < 3.5 / math.sqrt(150))


@pytest.mark.statistical
def test_frames_far_apart_in_time_are_not_confused_by_the_drift():
    # light falls by 8 % over six frames and moves; then in another order
    ours, plain = [], []
    for seed in range(8):
        for order in (None, (0, 3, 1, 5, 2, 4)):
            rng = np.random.default_rng(seed)
            flats, darks = camera(rng, (160, 176), 6, falloff=0.35, drift=-0.016, move=0.004, prnu=0.01, order=order)
            dark = (READ_E / GAIN) ** 2 + 1 / 12
            planes = [PlanePairs("G", flats_of(flats), contrasts(measure_dark_pair, darks))]
            [point] = noise_points(100, planes)
            ours.append((point.gain_e_per_dn - GAIN) / point.gain_e_per_dn_stderr)
            temporal = np.stack(flats).astype(float).var(axis=0, ddof=1).mean()
            plain.append((np.mean(flats) - BLACK) / (temporal - dark) / GAIN)
    assert abs(np.mean(ours)) < 3.5 / math.sqrt(len(ours))
    assert abs(np.mean(plain) - 1) > 0.2  # the variance over the six frames, sample by sample


def test_third_and_tenth_frame_see_the_fixed_pattern_alike():
    rng = np.random.default_rng(3)
    flats, _ = camera(rng, (200, 220), 5, prnu=0.02, drift=0.01)
    pairs = flats_of(flats)
    for pair in pairs:
        assert pair.prnu == pytest.approx(0.02, rel=0.03)
    assert [pair.reference_frames for pair in pairs] == [1, 2, 3, 4]
    # S_A + r^2 S_M / m and 1 + r^2 / m (closed form; r near 1)
    for pair in pairs:
        assert pair.dark_weight == pytest.approx(1 + pair.ratio**2 / pair.reference_frames, rel=1e-4)
        share = pair.ratio / pair.reference_frames  # r^2 S_M = r S_A
        assert pair.shot_dn == pytest.approx(pair.signal_dn * (1 + share), rel=1e-3)
