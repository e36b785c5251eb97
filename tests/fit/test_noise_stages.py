"""One gain stage or two, and digital ISO values: false alarms, detection, placement, and the solver itself.

Bodies: sigma_0 and sigma_1 over the range of the published ones (gain-read-noise.csv, five-bodies-noise.json), read
noise that departs from the model by 1 to 3 % at random, 5 to 28 ISO values.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import nnls

from kitgauge.fit.noise.noise_stages import BIC_NEEDED, non_negative, patterns, select

FULL = [100.0 * 2**k for k in range(9)]
THIRDS = [float(v) for v in (100, 125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250, 1600, 2000, 2500, 3200)]
THIRDS += [4000.0, 5000.0, 6400.0, 8000.0, 10000.0, 12800.0, 16000.0, 20000.0, 25600.0, 32000.0, 40000.0, 51200.0]
assert len(THIRDS) == 28


def body(rng, isos, stages, sigma_1, *, departure, k=400.0, step_of_k=1.0, error=0.003, sources=None):
    """Return gains, variances and errors; `sources`: ISO -> ISO that it is made from by scaling the numbers."""
    switch = stages[-1][0]
    made = sources or {}

    def gain(iso):
        return k / iso * (step_of_k if iso >= switch > 0 else 1.0)

    gains = np.array([gain(iso) for iso in isos])
    amplifier = np.array([gain(made.get(iso, iso)) for iso in isos])
    sigma_0 = np.array([[s for first, s in stages if made.get(iso, iso) >= first][-1] for iso in isos])
    reads = np.hypot(sigma_0, sigma_1 * amplifier)
    reads = reads * (1 + departure * rng.standard_normal(len(isos))) * (1 + error * rng.standard_normal(len(isos)))
    return gains * (1 + 0.002 * rng.standard_normal(len(isos))), reads**2, 2 * error * reads**2


@pytest.mark.statistical
def test_second_stages_are_claimed_in_less_than_one_body_of_a_hundred_that_have_none():
    rng = np.random.default_rng(1)
    ladders = [FULL[:5], FULL[:6], FULL[:7], FULL, THIRDS[:15], THIRDS[:22], THIRDS]
    stages = digital = 0
    bodies = 420
    for i in range(bodies):
        isos = ladders[i % len(ladders)]
        sigma_0, sigma_1 = rng.uniform(1.0, 5.0), math.exp(rng.uniform(math.log(0.3), math.log(10.0)))
        selection = select(isos, *body(rng, isos, [(0, sigma_0)], sigma_1, departure=rng.uniform(0.01, 0.03)))
        stages += selection.chosen.split is not None
        digital += selection.chosen.pattern.choices > 0
    assert stages <= 0.01 * bodies
    assert digital <= 0.01 * bodies


def test_plain_likelihood_ratio_would_claim_stages_that_are_not_there():
    # the naive way: measurement errors alone (0.3 %) for points that depart by 2 %: the ratio passes for "very strong"
    # evidence (BIC lower by 10) in most one-stage bodies
    rng = np.random.default_rng(2)
    wrong = ours = 0
    for _ in range(40):
        gains, variances, errors = body(rng, FULL, [(0, 2.5)], 2.0, departure=0.02)

        def chi_square(split, g=gains, v=variances, e=errors):
            high = np.arange(len(g)) >= split
            design = np.stack([~high * 1.0, high * 1.0, g**2], axis=1)[:, 1 if split == 0 else 0 :]
            return nnls(design / e[:, None], v / e)[1] ** 2

        wrong += chi_square(0) - min(map(chi_square, range(2, 8))) - 2 * math.log(9) >= BIC_NEEDED
        ours += select(FULL, gains, variances, errors).chosen.split is not None
    assert wrong >= 25 and ours <= 1


@pytest.mark.statistical
@pytest.mark.parametrize(
    ("isos", "departure"), [(FULL[:7], 0.01), (FULL, 0.015), (THIRDS[:15], 0.02), (THIRDS, 0.03)],
    ids=["7 full stops 1 %", "9 full stops 1.5 %", "15 thirds 2 %", "28 thirds 3 %"],
)  # fmt: skip
@pytest.mark.parametrize("step_of_k", [1.0, 0.95], ids=["k steady", "k steps 5 %"])
def test_a_step_of_a_quarter_is_found_at_the_right_iso_in_95_of_100(isos, departure, step_of_k):
    right = 0
    first = isos[len(isos) // 2]
    bodies = 100 if len(isos) < 20 else 40
    for seed in range(bodies):
        rng = np.random.default_rng(seed)
        sigma_1 = math.exp(rng.uniform(math.log(0.3), math.log(1.5)))
        measured = body(rng, isos, [(0, 2.4), (first, 1.8)], sigma_1, departure=departure, step_of_k=step_of_k)
        chosen = select(isos, *measured).chosen
        right += chosen.split is not None and isos[chosen.split] == first
    assert right >= 0.95 * bodies


@pytest.mark.statistical
@pytest.mark.parametrize("drop", [0.85, 0.8])
def test_weak_second_stages_of_a_body_that_keeps_to_the_model(drop):
    for isos in (FULL[:7], FULL, THIRDS):
        first = isos[len(isos) // 2]
        for seed in range(12):
            rng = np.random.default_rng(seed)
            measured = body(rng, isos, [(0, 2.4), (first, 2.4 * drop)], 1.0, departure=0.004)
            selection = select(isos, *measured)
            assert selection.chosen.split == isos.index(first), (drop, len(isos), seed)
            assert selection.one_stage.bic - selection.chosen.bic >= BIC_NEEDED
            assert selection.next_place.bic > selection.chosen.bic


@pytest.mark.statistical
def test_thirds_made_from_their_neighbours_neither_hide_a_stage_nor_feign_one():
    # 125, 250 ... pushed from the stop below, 160, 320 ... pulled from the one above
    pushed = dict(zip(THIRDS[1::3], THIRDS[0::3], strict=False))
    pulled = dict(zip(THIRDS[2:-1:3], THIRDS[3::3], strict=True))
    for seed in range(15):
        rng = np.random.default_rng(seed)
        one = select(THIRDS, *body(rng, THIRDS, [(0, 2.0)], 6.0, departure=0.015, sources=pushed | pulled))
        assert one.chosen.split is None
        found = {THIRDS[i]: THIRDS[s] for i, s in enumerate(one.chosen.pattern.sources) if s is not None}
        assert found == pushed | pulled
        two = select(THIRDS, *body(rng, THIRDS, [(0, 3.5), (800, 2.0)], 6.0, departure=0.015, sources=pushed | pulled))
        assert two.chosen.split == THIRDS.index(640)  # made from 800, which has the second stage
        assert two.chosen.pattern.sources == one.chosen.pattern.sources


@pytest.mark.statistical
def test_low_values_pulled_from_the_base_are_seen_and_feign_no_stage():
    isos = [50.0, 64.0, 80.0, *THIRDS[:22]]
    sources = {50.0: 100.0, 64.0: 100.0, 80.0: 100.0}
    for seed in range(15):
        rng = np.random.default_rng(seed)
        selection = select(isos, *body(rng, isos, [(0, 2.0)], 4.0, departure=0.015, sources=sources))
        assert selection.chosen.split is None
        assert selection.chosen.pattern.sources[:4] == (3, 3, 3, None)


@pytest.mark.statistical
@pytest.mark.parametrize("isos", [[50.0, *FULL[:5]], [50.0, *FULL]], ids=["6 values", "10 values"])
def test_one_low_value_pulled_from_the_base_feigns_no_stage(isos):
    stages = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        sigma_1 = math.exp(rng.uniform(math.log(0.3), math.log(8.0)))
        selection = select(isos, *body(rng, isos, [(0, 2.0)], sigma_1, departure=0.015, sources={50.0: 100.0}))
        stages += selection.chosen.split is not None
    assert stages <= 2


def test_digital_high_values_without_a_trace_change_nothing():
    isos = [*FULL, 51_200.0, 102_400.0]
    sources = {51_200.0: 25_600.0, 102_400.0: 25_600.0}
    for seed in range(15):
        for stages in ([(0, 2.0)], [(0, 3.2), (800, 1.8)]):
            rng = np.random.default_rng(seed)
            chosen = select(isos, *body(rng, isos, stages, 1.5, departure=0.015, sources=sources)).chosen
            assert chosen.split == (None if len(stages) == 1 else 3) and chosen.pattern.choices == 0


def test_patterns_name_measured_sources_only():
    tried = patterns(FULL)
    assert tried[0].sources == (None,) * 9 and tried[0].choices == 0
    assert all(p.choices == 1 and p.sources[0] is not None for p in tried[1:])  # whole stops: a low end only
    for pattern in patterns(THIRDS):
        for iso, source in zip(THIRDS, pattern.sources, strict=True):
            if source is not None:
                assert pattern.sources[source] is None  # made from an amplified one
                assert abs(math.log2(THIRDS[source] / iso)) <= 1.02
    assert len({p.sources for p in patterns(THIRDS)}) == len(patterns(THIRDS))


@pytest.mark.parametrize("seed", range(20))
def test_solver_agrees_with_lawson_and_hanson(seed):
    # independent route: scipy's active-set NNLS (Lawson and Hanson 1974), one problem at a time
    rng = np.random.default_rng(seed)
    design = np.stack([np.ones((4, 7)), rng.uniform(0, 1, (4, 7)) > 0.5, rng.uniform(0, 9, (4, 7))], axis=2) * 1.0
    values = rng.standard_normal(7) + 1.0
    scales = rng.uniform(0.1, 2.0, (3, 7))
    solved, chi_square = non_negative(design, values, scales)
    for c in range(4):
        for w in range(3):
            expected, norm = nnls(design[c] / scales[w][:, None], values / scales[w])
            assert chi_square[c, w] == pytest.approx(norm**2, rel=1e-7, abs=1e-9)
            assert solved[c, w] == pytest.approx(expected, abs=1e-6)


def test_no_second_stage_with_too_few_points_for_two():
    rng = np.random.default_rng(3)
    selection = select(FULL[:3], *body(rng, FULL[:3], [(0, 4.0), (400, 1.0)], 0.5, departure=0.0))
    assert selection.chosen.split is None and selection.two_stages is None


@pytest.mark.statistical
@pytest.mark.parametrize("isos", [FULL[:5], FULL[:6], FULL], ids=["5 values", "6 values", "9 values"])
def test_a_stage_of_one_point_is_found_at_either_end_and_one_odd_point_is_none(isos):
    last = len(isos) - 1
    found = {1: 0, last: 0}
    odd = 0
    bodies = 40
    for seed in range(bodies):
        for place, low in ((1, 6.0), (last, 3.2)):
            rng = np.random.default_rng(seed)
            measured = body(rng, isos, [(0, low), (isos[place], 1.5)], 1.2, departure=0.01, k=350.0)
            found[place] += select(isos, *measured).chosen.split == place
        # one stage, the first read noise 6 % high or the last 6 % low: twice what amplifiers depart at worst
        for place, factor in ((0, 1.06), (last, 0.94)):
            gains, variances, errors = body(np.random.default_rng(seed), isos, [(0, 3.0)], 1.2, departure=0.01, k=350.0)
            variances[place] *= factor**2
            odd += select(isos, gains, variances, errors).chosen.split in (1, last)
    assert all(number >= 0.95 * bodies for number in found.values())
    assert odd <= 0.01 * 2 * bodies
