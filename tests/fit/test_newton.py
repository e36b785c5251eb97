"""Damped Newton steps: the top is found, and a row without finite derivatives is given up, not the others."""

from __future__ import annotations

import numpy as np

from kitgauge.fit.newton import maximise

LOWER, UPPER = np.array([-5.0, -5.0]), np.array([5.0, 5.0])


def hill(theta: np.ndarray) -> np.ndarray:
    """Top at (1, -2) with value 3."""
    return 3.0 - (theta[:, 0] - 1.0) ** 2 - 0.5 * (theta[:, 1] + 2.0) ** 4 - (theta[:, 1] + 2.0) ** 2


def test_the_top_of_a_hill() -> None:
    start = np.array([[0.0, 0.0], [-4.0, 4.0]])
    place, best, done = maximise(hill, start, np.array([0, 1]), LOWER, UPPER)
    assert done.all()
    np.testing.assert_allclose(place, [[1.0, -2.0]] * 2, atol=1e-4)
    np.testing.assert_allclose(best, 3.0, atol=1e-8)


def test_a_row_without_finite_derivatives_is_not_converged_and_costs_no_other() -> None:
    def slopes(theta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        gradient = np.stack(
            [-2.0 * (theta[:, 0] - 1.0), -2.0 * (theta[:, 1] + 2.0) ** 3 - 2.0 * (theta[:, 1] + 2.0)], axis=1
        )
        hessian = np.zeros((len(theta), 2, 2))
        hessian[:, 0, 0], hessian[:, 1, 1] = -2.0, -6.0 * (theta[:, 1] + 2.0) ** 2 - 2.0
        hessian[theta[:, 0] < -3.0] = np.nan
        return hill(theta), gradient, hessian

    start = np.array([[0.0, 0.0], [-4.0, 4.0]])
    place, _, done = maximise(hill, start, np.array([0, 1]), LOWER, UPPER, slopes)
    assert done.tolist() == [True, False]
    np.testing.assert_allclose(place, [[1.0, -2.0], [-4.0, 4.0]], atol=1e-4)
