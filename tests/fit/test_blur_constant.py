"""Constant blur under hand shake: told where it is in all frames, and not read into shake alone."""

from __future__ import annotations

import math

import numpy as np
import pytest

from kitgauge.fit.blur.blur_constant import constant_blur

TIMES = np.repeat(2.0 ** -np.arange(4.0, 8.0), 7)
ERROR_PX2 = 0.015


def shaken(
    rng: np.random.Generator, defocus_px: float, s64: float = 0.9, kind: str = "drift"
) -> tuple[np.ndarray, ...]:
    """Variances along columns and rows of hand shake, with those of a defocus of Gaussian sigma `defocus_px` added."""
    streak = s64 * 64.0 * TIMES * rng.rayleigh(1.0, TIMES.size)
    share = np.cos(rng.uniform(0.0, math.pi, TIMES.size)) ** 2 if kind == "drift" else np.full(TIMES.size, 0.5)
    noise = ERROR_PX2 / math.sqrt(2.0) * rng.standard_normal((2, TIMES.size))
    along_x = streak**2 / 12.0 * share + defocus_px**2 + noise[0]
    along_y = streak**2 / 12.0 * (1.0 - share) + defocus_px**2 + noise[1]
    return TIMES, along_x, along_y, np.full(TIMES.size, ERROR_PX2)


@pytest.mark.statistical
def test_defocus_is_told_with_its_size() -> None:
    rng = np.random.default_rng(1)
    for defocus in (0.5, 0.8):
        found = [constant_blur(*shaken(rng, defocus)) for _ in range(20)]
        told = [item for item in found if item is not None]
        assert len(told) >= 18
        # a streak of the same second moment: variance on both axes, L^2 / 12 = 2 sigma^2
        expected = math.sqrt(24.0) * defocus
        assert float(np.median([item.streak_px for item in told])) == pytest.approx(expected, rel=0.12)


@pytest.mark.statistical
@pytest.mark.parametrize("kind", ["drift", "circling"])
@pytest.mark.parametrize("s64", [0.6, 1.5, 5.0])
def test_shake_alone_is_no_constant_blur(kind: str, s64: float) -> None:
    rng = np.random.default_rng(2)
    told = [constant_blur(*shaken(rng, 0.0, s64, kind)) for _ in range(60)]
    assert sum(item is not None for item in told) <= 1


def test_too_few_frames_or_unknown_ones_tell_nothing() -> None:
    nan = math.nan
    assert constant_blur([], [], [], []) is None
    assert constant_blur([1 / 64] * 3, [0.5] * 3, [0.5] * 3, [0.01] * 3) is None
    assert constant_blur([1 / 64] * 8, [nan] * 8, [0.5] * 8, [0.01] * 8) is None
