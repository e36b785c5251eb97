"""Direction of motion from edges: given only where its stated error is honest."""

from __future__ import annotations

import math

import numpy as np
import pytest

from kitgauge.measure.blur.motion_covariance import Row, principal_direction, solve_covariance

ERROR_PX2 = 0.012


def found_direction(
    rng: np.random.Generator, streak_px: float, direction_deg: float, tilts_deg: tuple[float, ...]
) -> tuple[float, float, float]:
    """Error of the direction (NaN: not given), stated error, and trace, of straight motion seen by tilted squares.

    The tilts are those against the edges' mean axes; the normals are known to 0.1 degrees.
    """
    cos, sin = math.cos(math.radians(direction_deg)), math.sin(math.radians(direction_deg))
    variance = streak_px**2 / 12.0
    rows: list[Row] = []
    for tilt in tilts_deg:
        for number in range(4):
            angle = math.radians(tilt + 90.0 * number)
            seen = variance * (math.cos(angle) * cos + math.sin(angle) * sin) ** 2
            measured = angle + math.radians(0.1) * rng.standard_normal()
            normal = (math.cos(measured), math.sin(measured))
            rows.append((normal, seen + ERROR_PX2 * float(rng.standard_normal()), ERROR_PX2))
    values, covariance, _ = solve_covariance(rows, 2)
    _, direction, stated = principal_direction(values, covariance, 0.0)
    return (direction - direction_deg + 90.0) % 180.0 - 90.0, stated, float(values[0] + values[1])


@pytest.mark.statistical
@pytest.mark.parametrize("tilts_deg", [(0.0,), (0.0, 0.0, 0.0)])
@pytest.mark.parametrize("streak_px", [0.8, 1.5, 4.0])
def test_squares_tilted_alike_do_not_snap_to_their_axis(tilts_deg: tuple[float, ...], streak_px: float) -> None:
    """Edges at right angles cannot tell a motion from its mirror image: most directions are not given at all, and
    those that are lie near an axis, within the stated error."""
    rng = np.random.default_rng(4)
    drawn = [found_direction(rng, streak_px, rng.uniform(0.0, 180.0), tilts_deg) for _ in range(150)]
    given = [(error, stated) for error, stated, _ in drawn if math.isfinite(error)]
    assert len(given) < 0.4 * len(drawn)
    for error, stated in given:
        assert 0.0 < stated < 10.0
        assert abs(error) < 3.5 * stated


@pytest.mark.statistical
@pytest.mark.parametrize("streak_px", [1.5, 4.0, 12.0])
def test_squares_tilted_apart_tell_the_direction_with_its_error(streak_px: float) -> None:
    rng = np.random.default_rng(5)
    drawn = [found_direction(rng, streak_px, rng.uniform(0.0, 180.0), (-6.0, 6.0, -4.0, 4.0)) for _ in range(120)]
    scores = np.array([error / stated for error, stated, _ in drawn if math.isfinite(error)])
    # a short streak's direction is often too uncertain to be given
    assert scores.size > {1.5: 0.15, 4.0: 0.8, 12.0: 0.95}[streak_px] * len(drawn)
    assert 0.6 < math.sqrt(float(np.mean(scores**2))) < 1.4


def test_motion_along_an_axis_is_told_even_by_squares_tilted_alike() -> None:
    drawn = [found_direction(np.random.default_rng(seed), 9.0, 90.0, (0.0, 0.0, 0.0)) for seed in range(20)]
    given = [item for item in drawn if math.isfinite(item[0])]
    assert len(given) >= 17  # the axis at rest must not come out above 2 standard errors
    for error, stated, trace in given:
        assert abs(error) < 3.0 * stated
        assert 0.0 < stated < 5.0
        assert trace == pytest.approx(81.0 / 12.0, abs=0.05)
