"""The limit of focusing from a repeatability made by hand."""

import math
from datetime import datetime

import numpy as np
import pytest

from kitgauge.fit.sharpness.focus_repeatability import FocusAtFNumber, FocusRepeatability
from kitgauge.limits.criteria import Criteria, parse_criteria
from kitgauge.limits.entries import AcceptedLimit, entry_as_dict, entry_from_dict
from kitgauge.limits.focus_limit import focus_limit


def known(sigma_um: float, spread: float = 0.1, allowed_per_stop: float = 12.0) -> FocusRepeatability:
    """Misses forgiven: 12 um x N; sigma log-normal about `sigma_um`."""
    scales = sigma_um * np.exp(np.linspace(-4.0, 4.0, 161) * spread)
    weights = np.exp(-0.5 * np.linspace(-4.0, 4.0, 161) ** 2)
    found = tuple(
        FocusAtFNumber(n, (), 0.3, 0.01, 0.29, 0.25, 0.2, (0.1, 0.3), 0.3, (0.2, 0.4), allowed_per_stop * n, ())
        for n in (2.0, 2.0**1.5, 4.0, 2.0**2.5, 8.0)
    )
    return FocusRepeatability(
        sigma_um, (0.8 * sigma_um, 1.25 * sigma_um), "um", True, 20, "centre", found,
        "1 in 5 frames at f/2 loses a third of its sharpness to focusing (95 %: 1 in 10 to 3 in 10); 1 in 5 loses 30 % "
        "or more.", 1 / 3, scales, weights / weights.sum(),
    )  # fmt: skip


def test_the_limit_is_where_four_of_five_misses_are_forgiven() -> None:
    # 80 % of normal misses lie within 1.2816 sigma (tables of the normal distribution): 12 N = 1.2816 x 30
    limit = focus_limit(known(30.0), Criteria(), "a 50 mm lens", 50.0)
    assert (limit.kind, limit.region, limit.lens, limit.focal_mm) == ("focus", "centre", "a 50 mm lens", 50.0)
    assert limit.value["f_number"] == pytest.approx(1.2816 * 30.0 / 12.0, rel=0.005)
    assert limit.dial["f_number"] == 3.2 or limit.dial["f_number"] == 3.5
    # sigma is known to 10 %, and so is the f-number
    assert limit.ci_low == pytest.approx(3.204 * math.exp(-0.196), rel=0.02)
    assert limit.ci_high == pytest.approx(3.204 * math.exp(0.196), rel=0.02)
    assert limit.criterion == {"keep": 0.8, "focus_loss": pytest.approx(1 / 3)}
    assert "1 in 5 frames at f/2" in limit.text and "80 % of frames lose less than a third" in limit.text
    assert limit.extra["focus_error"] == 30.0


def test_a_stricter_share_asks_for_a_higher_f_number() -> None:
    # 95 % lie within 1.96 sigma
    limit = focus_limit(known(30.0), parse_criteria(["keep=0.95"]))
    assert limit.value["f_number"] == pytest.approx(1.96 * 30.0 / 12.0, rel=0.005)


def test_ends_of_what_was_measured() -> None:
    steady = focus_limit(known(5.0), Criteria())
    assert steady.value["f_number"] == pytest.approx(2.0) and steady.flags == ("range-open",)
    assert "At every f-number measured" in steady.text
    unsteady = focus_limit(known(200.0), Criteria())
    assert unsteady.value["f_number"] == pytest.approx(8.0) and unsteady.flags == ("criterion-not-met",)
    assert "At no f-number measured" in unsteady.text


def test_it_goes_through_the_limits_file() -> None:
    limit = focus_limit(known(30.0), Criteria(), "a 50 mm lens", 50.0)
    back = entry_from_dict(entry_as_dict(AcceptedLimit(limit, "b", "r", datetime(2026, 5, 1))), "test")
    assert back.limit.value == limit.value and back.limit.kind == "focus"
    assert back.describe().startswith("focusing serves from f/3.2")
