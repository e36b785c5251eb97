"""The columns of the edge fit and their transforms, against direct sums and dense quadrature."""

import math

import numpy as np
import pytest
from edge_scenes import edge_spread, true_mtf

from kitgauge.measure.edges.edge_knots import knots_for
from kitgauge.measure.edges.edge_model import EdgeModel
from kitgauge.measure.edges.edge_pool import look_up, middle, pool_samples

TILT = 5.0


def model(cutoff: float, sigma: float) -> EdgeModel:
    return EdgeModel(cutoff_px=cutoff, variance_px2=sigma**2, tilt=math.radians(TILT))


@pytest.mark.parametrize(("cutoff", "sigma"), [(0.25, 0.8), (0.78, 0.4), (3.11, 0.3), (1.0, 5.0)])
def test_reference_is_the_sine_transform_of_its_mtf_out_to_the_window(cutoff: float, sigma: float) -> None:
    """At f/22 the tails of the period's repetitions would add 0.2 % at 40 px; they are taken off."""
    grid, spreads = model(cutoff, sigma).spreads()
    # means over many places: straight lines between the grid's points are right on average
    d = np.linspace(-42.0, 42.0, 20001)
    difference = look_up(grid, spreads[0], d) - np.interp(d, *edge_spread(cutoff, sigma, TILT))
    assert np.abs(difference).max() < 2e-4
    assert np.abs(difference[np.abs(d) > 5.0]).max() < 2e-5


def test_derivatives_by_q_and_s() -> None:
    step = 1e-4
    grid, spreads = model(1.2, 0.5).spreads()
    _, by_q = model(1.2 + step, 0.5).spreads()
    _, by_s = model(1.2, math.sqrt(0.25 + step)).spreads()
    assert np.abs((by_q[0] - spreads[0]) / step - spreads[1]).max() < 1e-3
    assert np.abs((by_s[0] - spreads[0]) / step - spreads[2]).max() < 1e-3
    nu = np.linspace(0.01, 0.8, 40)
    assert model(1.2, 0.5).reference_mtf(nu)[0] == pytest.approx(true_mtf(nu, 1.2, 0.5, TILT), abs=2e-5)
    assert grid[0] == -grid[-1]


@pytest.mark.parametrize(("blur", "steep"), [(1.2, 1.2), (4.5, 1.3), (10.0, 10.0)])
def test_transforms_of_the_splines(blur: float, steep: float) -> None:
    knots = knots_for(blur, steep, 40.0)
    nu = np.linspace(0.0, 1.0, 21)
    whole = EdgeModel(0.5, 0.2, 0.1, knots=knots)
    real, imaginary = whole.transform(nu)
    x = np.arange(-knots.core_px, knots.core_px, 1.0 / 64.0)
    values = knots.values(x)
    # the slope of a spline, transformed by plain sums
    direct = 2j * np.pi * nu[:, None] * (np.exp(-2j * np.pi * nu[:, None] * x) @ values) / 64.0
    # five points a piece up to 1 cycle/px; coefficients are some per cent of the contrast, so this is 1e-4 of an MTF
    assert np.abs(real[:, 4:] - direct.real).max() < 3e-3
    assert np.abs(imaginary[:, 4:] - direct.imag).max() < 3e-3
    assert np.abs(direct).max() > 0.3
    coefficients = np.random.default_rng(0).normal(size=knots.splines)
    inside = x[np.abs(x) < knots.core_px]
    assert knots.curve(inside, coefficients) == pytest.approx(knots.values(inside) @ coefficients, abs=1e-12)


def test_pools_keep_means_and_places() -> None:
    rng = np.random.default_rng(2)
    d = rng.uniform(-30.0, 25.0, 5000)
    pool = pool_samples(d, 3.0 * d + 7.0, 1.5)
    assert pool.count.sum() == d.size
    assert pool.mean == pytest.approx(3.0 * pool.centre + 7.0)  # a straight line is kept exactly
    near = np.abs(pool.centre) < 4.0
    assert np.diff(pool.centre[near]).max() < 0.3 and near.sum() > 90
    assert pool.centre.size < 400
    within = pool.square / np.maximum(pool.count - 1.0, 1.0)
    assert within[near].max() < (3.0 / 16.0) ** 2  # a bin's own width only


def test_look_up_and_middle() -> None:
    grid = np.linspace(-2.0, 2.0, 9)
    assert look_up(grid, grid**2, np.array([-3.0, -2.0, 0.25, 2.0, 5.0])) == pytest.approx(
        [4, 4, 0.125, 4, 4], abs=1e-4
    )
    assert middle(np.array([3.0, 1.0, 2.0])) == 2.0
    assert math.isnan(middle(np.empty(0)))
