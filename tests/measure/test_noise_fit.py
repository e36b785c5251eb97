"""Which flats the line of photon transfer goes through, against simulations that share no code with the package.

EMVA 1288 Release 4 Linear fits from dark to 70 % of saturation. The working group's simulated camera:
doi:10.5281/zenodo.12705845 (its printed specification, rebuilt in `test_published_noise`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated_pairs import dark_pair, flat_pair
from test_published_noise import SimulatedCamera

from kitgauge.measure.noise.dark_pair import measure_dark_pair
from kitgauge.measure.noise.noise_fit import ABOVE_FIT_RANGE, COLLAPSED, PlanePairs, fit_line
from kitgauge.measure.noise.noise_points import noise_points
from kitgauge.measure.noise.photon_transfer import measure_flat_pair
from kitgauge.measure.noise.transfer_rows import photon_transfer_rows

BLACK, WHITE = 512.0, 16383.0
SHAPE = (160, 176)


def plane(rng, levels_e, colour="G", gain=2.0, read_e=5.0, **conditions):
    pairs = [flat_pair(rng, SHAPE, level, gain, read_e, **conditions) for level in levels_e]
    darks = measure_dark_pair(*dark_pair(rng, SHAPE, gain, read_e))
    return PlanePairs(colour, tuple(measure_flat_pair(*pair, BLACK, WHITE) for pair in pairs), (darks,))


def straight_line(levels, variances):
    """Slope of the unweighted line through the points: the plain way."""
    return float(np.polyfit(levels, variances, 1)[0])


@pytest.mark.parametrize("bent", [False, True])
def test_working_groups_camera_over_its_levels(bent):
    camera = SimulatedCamera(5, bent=bent)
    darks = measure_dark_pair(camera.frame(0), camera.frame(0))
    steps = range(2, 51, 2)  # every other of its 50 levels
    flats = tuple(
        measure_flat_pair(camera.frame(1659.66 * n), camera.frame(1659.66 * n), darks.mean_dn, 4095.0) for n in steps
    )
    pairs = PlanePairs("G", flats, (darks,))
    [point] = noise_points(100, [pairs])
    # specification: K = 0.1 DN/e-, dark noise 30 e-; bent by y' = y (1 - 0.02 (y/4095)^3), of which the range of
    # the fit may leave 0.3 %
    left = 0.003 if bent else 0.0
    assert point.gain_e_per_dn == pytest.approx(10.0, rel=left, abs=3.5 * point.gain_e_per_dn_stderr)
    assert point.read_noise_e == pytest.approx(30.0, rel=0.01)
    assert point.prnu == pytest.approx(0.005, abs=4 * point.prnu_stderr)
    rows = [row for row in photon_transfer_rows(100, [pairs]) if row["kind"] == "flat"]
    used = [row for row in rows if row["used"]]
    assert len(rows) == 25 and point.flat_pairs == len(used)
    assert max(row["level_dn"] for row in used) < (0.51 if bent else 0.71) * (4095 - 29.4)
    assert all(row["reason"] for row in rows if not row["used"])
    if bent:  # the plain line over the range of EMVA's fit is off by more than two percent
        below = [row for row in rows if row["level_dn"] < 0.7 * (4095 - 29.4)]
        slope = straight_line([row["level_dn"] for row in below], [row["variance_dn2"] for row in below])
        assert slope < 0.098


def test_one_high_level_serves_where_there_are_no_others():
    # 80 % of saturation: above the range, but all there is
    fit = fit_line([plane(np.random.default_rng(1), [25_400])])
    assert fit is not None and not fit.left_out
    assert 1 / fit.k == pytest.approx(2.0, rel=0.03)


def test_levels_above_70_percent_are_left_out_where_there_are_three_below():
    flats = plane(np.random.default_rng(2), [3_000, 9_000, 18_000, 25_400])
    fit = fit_line([flats])
    assert fit is not None
    assert fit.left_out == {id(flats.flats[3]): ABOVE_FIT_RANGE}
    rows = photon_transfer_rows(100, [flats])
    assert [row["used"] for row in rows] == [True, True, True, False, True]
    assert [row["kind"] for row in rows] == ["flat"] * 4 + ["dark"]
    # variance of one frame: K level + dark variance (closed form)
    for row in rows[:4]:
        expected = row["level_dn"] / 2.0 + 6.25 + 1 / 12
        assert abs(row["variance_dn2"] - expected) < 4 * row["variance_stderr_dn2"]


def test_a_level_whose_variance_has_collapsed_is_left_out_with_the_reason():
    good = plane(np.random.default_rng(3), [6_000, 15_000, 20_000])
    # at 20 000 e- the noise has been cut to two thirds: a full well begins
    fallen = replace(good.flats[2], variance_dn2=0.66 * good.flats[2].variance_dn2)
    pairs = replace(good, flats=(*good.flats[:2], fallen))
    fit = fit_line([pairs])
    assert fit is not None and fit.left_out == {id(fallen): COLLAPSED}
    assert photon_transfer_rows(100, [pairs])[2]["reason"] == COLLAPSED
    counted_in = fit_line([replace(pairs, flats=(fallen,))])
    assert counted_in is not None
    assert 1 / counted_in.k > 2.5 and 1 / fit.k == pytest.approx(2.0, rel=0.03)


@pytest.mark.statistical
def test_planes_of_a_channel_share_one_line():
    # averaging planes with weights from their own variances favours those that came out low
    pulls = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        planes = [
            PlanePairs(
                "G",
                (measure_flat_pair(*flat_pair(rng, (32, 40), 20_000, 2.0, 5.0), BLACK, WHITE),),
                (measure_dark_pair(*dark_pair(rng, (32, 40), 2.0, 5.0)),),
            )
            for _ in range(20)
        ]
        [point] = noise_points(100, planes)
        pulls.append(
            [
                (point.gain_e_per_dn - 2) / point.gain_e_per_dn_stderr,
                (point.read_noise_e - 5) / point.read_noise_e_stderr,
            ]
        )
    assert np.all(np.abs(np.mean(pulls, axis=0)) < 3.5 / np.sqrt(60))
    assert np.all(np.abs(np.std(pulls, axis=0) - 1) < 0.3)


@pytest.mark.statistical
def test_five_levels_and_two_darks_keep_their_errors_honest():
    pulls = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        pairs = plane(rng, [1_000, 4_000, 9_000, 15_000, 21_000], falloff=0.3, drift=1.015, move=0.01, prnu=0.006)
        [point] = noise_points(100, [replace(pairs, darks=(*pairs.darks, *plane(rng, []).darks))])
        pulls.append(
            [
                (point.gain_e_per_dn - 2) / point.gain_e_per_dn_stderr,
                (point.read_noise_e - 5) / point.read_noise_e_stderr,
                (point.saturation_e - 2 * (WHITE - BLACK)) / point.saturation_e_stderr,
                (point.prnu - 0.006) / point.prnu_stderr,
            ]
        )
    assert np.all(np.abs(np.mean(pulls, axis=0)) < 3.5 / np.sqrt(40))
    assert np.all(np.abs(np.std(pulls, axis=0) - 1) < 0.35)
