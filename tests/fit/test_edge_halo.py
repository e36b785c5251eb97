"""The halo of one f-number from its edges."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from kitgauge.fit.sharpness.edge_halo import halo_of


def edges(over, under, error=0.005) -> Any:
    return [
        SimpleNamespace(overshoot=o, overshoot_stderr=error, undershoot=u, undershoot_stderr=error)
        for o, u in zip(over, under, strict=True)
    ]


def test_mean_and_error_by_hand() -> None:
    halo = halo_of(edges([0.10, 0.14], [0.02, 0.04]), 5.6)
    assert halo is not None
    assert (halo.overshoot, halo.undershoot) == (pytest.approx(0.12), pytest.approx(0.03))
    assert halo.overshoot_stderr == pytest.approx(0.005 / math.sqrt(2))
    assert halo.edges == 2 and halo.plain and halo.f_number == 5.6


def test_edges_that_differ_widen_the_error() -> None:
    values = [0.02, 0.10, 0.18, 0.26]
    halo = halo_of(edges(values, [0.0] * 4), 5.6)
    assert halo is not None
    assert halo.overshoot_stderr == pytest.approx(np.std(values, ddof=1) / 2)


@pytest.mark.parametrize(
    ("size", "error", "plain"), [(0.015, 0.0005, False), (0.03, 0.0005, True), (0.03, 0.02, False)]
)
def test_small_or_uncertain_lines_are_not_plain(size, error, plain) -> None:
    halo = halo_of(edges([size] * 2, [0.0] * 2, error), 5.6)
    assert halo is not None and halo.plain is plain


def test_refused_edges_tell_nothing() -> None:
    assert halo_of(edges([math.nan], [math.nan]), 5.6) is None
    mixed = halo_of(edges([math.nan, 0.1], [0.1, 0.1]), 5.6)
    assert mixed is not None and mixed.edges == 1
