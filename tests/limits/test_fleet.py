"""A fleet: a truly odd unit is found, a fleet without one is left in peace; the usual rules of thumb do neither."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from kitgauge.limits.fleet import fleet_deviations, foreseen
from kitgauge.limits.fleet_numbers import MainNumber, compared, main_numbers


def simulated(rng, units, numbers, spread, odd=None):
    """A fleet with errors that differ, and `odd`: unit -> how many standard deviations it is off in number 0."""
    s = np.exp(0.3 * rng.normal(size=(numbers, units)))
    y = spread * rng.normal(size=(numbers, units)) + s * rng.normal(size=(numbers, units))
    for unit, size in (odd or {}).items():
        y[0, unit] += size * math.hypot(spread, s[0, unit])
    return {f"n{k}": {f"u{i}": (y[k, i], s[k, i]) for i in range(units)} for k in range(numbers)}


def found(table):
    return {(item.number, item.unit) for item in fleet_deviations(table) if item.real}


@pytest.mark.parametrize("count", [3, 5, 12])
def test_without_errors_it_is_the_t_test_of_one_against_the_others(count):
    others = np.random.default_rng(count).normal(10.0, 2.0, size=count)
    for value in (10.5, 17.0, 31.0):
        t = (value - others.mean()) / (others.std(ddof=1) * math.sqrt(1 + 1 / count))
        ahead = foreseen(others, np.zeros(count))
        assert ahead.p(value, 0.0) == pytest.approx(2 * stats.t.sf(abs(t), count - 1), rel=2e-3)
        assert ahead.expected == pytest.approx(others.mean())
        least = stats.t.isf(0.5e-3, count - 1) * others.std(ddof=1) * math.sqrt(1 + 1 / count)
        assert ahead.difference_at(1e-3, 0.0) == pytest.approx(least, rel=2e-3)


def test_with_errors_alone_it_is_no_bolder_than_the_z_test():
    others, errors = np.array([0.01, -0.02, 0.03, 0.0, -0.01, 0.02]), np.ones(6)
    for value in (1.0, 2.5, 4.0):
        z = (value - others.mean()) / math.sqrt(1 + 1 / 6)
        ahead = foreseen(others, errors)
        assert 2 * stats.norm.sf(z) < ahead.p(value, 1.0) < 1.0 and ahead.spread < 1.0


def test_values_on_another_scale_or_turned_round_say_the_same():
    others, errors = np.array([1.0, 1.4, 0.8, 1.1]), np.array([0.1, 0.2, 0.1, 0.1])
    ahead, scaled = foreseen(others, errors), foreseen(-1000.0 * others + 7.0, 1000.0 * errors)
    assert scaled.p(-3000.0 + 7.0, 100.0) == pytest.approx(ahead.p(3.0, 0.1))
    assert (scaled.expected, scaled.spread) == pytest.approx((-1000.0 * ahead.expected + 7.0, 1000.0 * ahead.spread))
    assert scaled.difference_at(0.01, 100.0) == pytest.approx(1000.0 * ahead.difference_at(0.01, 0.1))


@pytest.mark.parametrize("units", [4, 6, 10])
def test_a_unit_is_called_odd_from_the_difference_that_is_stated(units):
    table = simulated(np.random.default_rng(units), units, 3, 5.0)
    quiet = {(item.number, item.unit): item for item in fleet_deviations(table)}
    assert not any(item.real for item in quiet.values())
    item = quiet["n1", "u2"]
    for times, odd in ((0.98, False), (1.02, True)):
        table["n1"]["u2"] = (item.expected - times * item.seen_from, table["n1"]["u2"][1])
        assert (("n1", "u2") in found(table)) is odd


@pytest.mark.statistical
@pytest.mark.parametrize(("units", "spread"), [(4, 0.0), (4, 30.0), (6, 1.0), (6, 30.0), (10, 30.0)])
def test_fleets_without_an_odd_unit_are_left_in_peace(units, spread):
    rng = np.random.default_rng([units, int(10 * spread)])
    fleets = 160
    alarms = sum(bool(found(simulated(rng, units, 4, spread))) for _ in range(fleets))
    # at most 5 % of fleets: not refuted at 1 in 1000
    assert stats.binomtest(alarms, fleets, 0.05, alternative="greater").pvalue > 1e-3


@pytest.mark.statistical
@pytest.mark.parametrize("spread", [0.0, 1.0, 30.0])
def test_a_truly_odd_unit_is_found_and_no_other(spread):
    rng = np.random.default_rng(7)
    hits = [found(simulated(rng, 10, 4, spread, {3: 14.0})) for _ in range(25)]
    assert sum(("n0", "u3") in hit for hit in hits) >= 23
    assert sum(bool(hit - {("n0", "u3")}) for hit in hits) <= 4


@pytest.mark.statistical
def test_two_odd_units_do_not_hide_each_other():
    rng = np.random.default_rng(8)
    hits = [found(simulated(rng, 10, 3, 30.0, {1: 20.0, 4: 22.0})) for _ in range(25)]
    assert sum({("n0", "u1"), ("n0", "u4")} <= hit for hit in hits) >= 22


def test_three_standard_deviations_from_the_mean_can_never_be_passed_by_one_of_ten():
    # (n - 1) / sqrt(n) is the most there can be: R. E. Shiffler, Am. Stat. 42 (1988) 79
    table = simulated(np.random.default_rng(9), 10, 1, 1.0, {3: 50.0})
    values = np.array([value for value, _ in table["n0"].values()])
    assert abs(values - values.mean()).max() / values.std(ddof=1) < 3.0
    assert found(table) == {("n0", "u3")}


@pytest.mark.statistical
def test_two_robust_standard_deviations_cry_wolf_in_most_fleets():
    rng = np.random.default_rng(10)

    def naive(table):
        out = []
        for values in table.values():
            y = np.array([value for value, _ in values.values()])
            out.append(np.abs(y - np.median(y)).max() / (1.4826 * np.median(np.abs(y - np.median(y)))))
        return max(out) > 2.0

    tables = [simulated(rng, 8, 4, 10.0) for _ in range(60)]
    assert sum(map(naive, tables)) > 50
    assert sum(bool(found(table)) for table in tables) < 9


def test_too_few_siblings_cannot_tell_and_unknown_values_are_left_out():
    few = fleet_deviations({"n": {"a": (1.0, 0.1), "b": (1.1, 0.1), "c": (99.0, 0.1)}})
    assert [item.real for item in few] == [None] * 3 and all(math.isnan(item.p) for item in few)
    gap = fleet_deviations({"n": {name: (float(k), 0.1) for k, name in enumerate("abcd")} | {"x": (math.nan, 0.1)}})
    assert {item.unit for item in gap} == set("abcd")
    same = fleet_deviations({"n": dict.fromkeys("abcde", (2.0, math.nan))})
    assert [item.real for item in same] == [None] * 5  # nothing is known of how far units scatter


def test_numbers_per_iso_are_compared_at_the_lowest_and_highest_iso_that_most_units_share():
    def unit(*isos):
        return [MainNumber(f"gain, ISO {iso}", "e-/DN", 1.0, 0.1, iso=iso) for iso in isos] + [
            MainNumber("ISO limit", "ISO", 800.0, 10.0)
        ]

    units = {"a": unit(100, 200, 400, 800), "b": unit(100, 200, 400), "c": unit(50, 100, 200, 400)}
    assert compared(units) == ["gain, ISO 100", "gain, ISO 400", "ISO limit"]


def test_the_numbers_of_a_run_are_its_own_with_their_errors():
    kit = {"body": "Invented One", "lens": "Invented 50 mm", "focal_mm": 50.0, "developed": False}
    point = {"iso": 100.0, "channel": "G", "gain_e_per_dn": 2.5, "gain_e_per_dn_stderr": 0.1, "read_noise_e": None}
    limits = [{"kind": "iso", "iso": 1600.0, "ci_low": 1500.0, "ci_high": 1700.0, "stderr_stops": None}]
    noise = main_numbers({"kit": kit, "noise": {"points": [point, point | {"channel": "R"}]}, "limits": limits})
    assert noise.siblings == "Invented One"
    assert [(item.name, item.value) for item in noise.numbers] == [("gain, ISO 100", 2.5), ("ISO limit", 1600.0)]
    log2, stderr = noise.numbers[0].log2
    assert (log2, stderr) == pytest.approx((math.log2(2.5), 0.1 / 2.5 / math.log(2)))
    assert noise.numbers[1].log2[1] == pytest.approx(math.log2(1700 / 1500) / (2 * 1.959964))
    fit = {"centre": {"peak_mtf50_cy_per_px": 0.3, "peak_mtf50_cy_per_px_stderr": 0.01}}
    sharpness = main_numbers({"kit": kit, "sharpness": {"fit": fit}, "limits": []})
    assert sharpness.siblings == "Invented 50 mm, Invented One, 50 mm"
    assert main_numbers({"kit": kit | {"body": None}, "noise": {"points": []}}).siblings is None
    assert main_numbers({"kit": kit | {"developed": True}, "noise": {"points": [point]}}).siblings.endswith("pictures")
