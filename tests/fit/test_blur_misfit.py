"""Frames that no shutter time saves, and keep rates off the curve: noticed where they are, and only there."""

from __future__ import annotations

import math

import numpy as np
import pytest
from simulated_people import LADDER, RELATIVE, Person, person

from kitgauge.fit.blur.blur_misfit import kept_against_fit
from kitgauge.fit.blur.blur_shutter import fit_blur


def _wrecked(series: Person, rng: np.random.Generator, share: float, longest_px: float = 50.0) -> int:
    """Make a share of the frames too blurred to measure, whatever their shutter time; return their number."""
    hit = np.flatnonzero(rng.random(series.true_px.size) < share)
    for place in hit:
        series.censored[place] = "above"
        series.streak_px[place] = series.stderr_px[place] = math.nan
        series.bound_px[place] = longest_px
    return int(hit.size)


@pytest.mark.statistical
def test_frames_lost_at_any_speed_are_counted() -> None:
    rng = np.random.default_rng(42)
    for _ in range(8):
        series = person(rng, ladder=LADDER[2:7])
        spoiled = _wrecked(series, rng, 0.25)
        fit = series.fit()
        assert fit.flags(2.0) == ("model-misfit",)
        assert fit.lost.clear
        # frames of the slowest speeds may be as long by shake alone
        assert spoiled <= fit.lost.count <= spoiled + 4
        assert fit.as_dict()["lost_at_any_speed"] == fit.lost.count


@pytest.mark.statistical
@pytest.mark.parametrize("family", list(RELATIVE))
def test_frames_that_follow_the_model_raise_no_doubt(family: str) -> None:
    rng = np.random.default_rng(43)
    fits = [person(rng, family, ladder=LADDER[2:7]).fit() for _ in range(30)]
    assert sum(bool(fit.flags(2.0)) for fit in fits) <= 1


def test_keep_rates_that_go_their_own_way_are_noticed() -> None:
    """All frames of the middle speeds lost, those of the slowest kept: no falling curve describes it."""
    rng = np.random.default_rng(44)
    t = np.repeat(LADDER[1:7], 10)
    odd = np.isin(t, LADDER[3:5])
    streak = np.where(odd, 9.0, 1.5) * np.exp(0.1 * rng.standard_normal(t.size))
    fit = fit_blur(t, streak, 0.02 * streak, [None] * t.size, np.full(t.size, math.nan))
    found = kept_against_fit(fit.families, fit.data, 4.0)
    assert found.differ
    assert found.scatter > 4.0
    assert found.beyond_chance > 0.2
    assert "do not trust" in found.as_dict()["text"]
    assert "model-misfit" in fit.flags(4.0)


@pytest.mark.statistical
def test_keep_rates_of_a_fitting_model_scatter_by_chance() -> None:
    """Chi-square over the number of groups: below 1 on average, as the curve was fitted to the same frames."""
    rng = np.random.default_rng(45)
    found = [person(rng, ladder=LADDER[2:7], frames=12).fit().goodness(3.0) for _ in range(40)]
    assert 0.5 < float(np.mean([item.scatter for item in found])) < 1.2
    assert float(np.median([item.beyond_chance for item in found])) < 0.06
