"""Old against new limit: differences in stops and their significance in closed form."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from kitgauge.errors import LimitsError
from kitgauge.limits.compare import compare, limit_stderr_stops
from kitgauge.limits.model import Limit


def iso(value: float, stderr_stops: float = math.nan, ci: tuple[float, float] = (math.nan, math.nan)) -> Limit:
    return Limit(
        kind="iso",
        value={"iso": value},
        dial={},
        ci_low=ci[0],
        ci_high=ci[1],
        criterion={"snr": 10.0},
        text="",
        stderr_stops=stderr_stops,
    )


def test_difference_error_z_and_p_in_closed_form() -> None:
    difference = compare(iso(3200, 0.3), iso(6400, 0.4))
    assert difference.stops == pytest.approx(1.0)  # one doubling
    assert difference.stderr_stops == pytest.approx(0.5)  # 3-4-5 triangle
    assert difference.z == pytest.approx(2.0)
    # two-sided tail of the normal distribution beyond 2: 0.0455 (any printed table)
    assert difference.p == pytest.approx(0.0455, abs=5e-5)
    assert difference.significant is True


def test_a_difference_within_its_error_is_not_significant() -> None:
    difference = compare(iso(3200, 0.3), iso(3200 * 2**0.5, 0.4))
    assert difference.z == pytest.approx(1.0)
    assert difference.p == pytest.approx(0.3173, abs=5e-5)  # beyond one standard deviation: 31.73 %
    assert difference.significant is False
    assert "chance" in difference.text


def test_unknown_error_is_said_and_not_taken_as_certain() -> None:
    difference = compare(iso(3200), iso(6400, 0.1))
    assert math.isnan(difference.z)
    assert math.isnan(difference.p)
    assert difference.significant is None
    assert "not estimated" in difference.text


def test_error_from_the_interval_where_only_that_is_known() -> None:
    half_width = 1.96 * 0.25
    with_interval = iso(3200, ci=(3200 * 2**-half_width, 3200 * 2**half_width))
    assert limit_stderr_stops(with_interval) == pytest.approx(0.25, rel=1e-4)


def test_zero_error_counts_as_unknown() -> None:
    assert math.isnan(limit_stderr_stops(iso(3200, 0.0)))


def test_f_numbers_count_two_stops_per_doubling_at_the_end_that_moved_most() -> None:
    old = Limit(
        kind="f_number",
        value={"f_number_low": 4.0, "f_number_high": 8.0},
        dial={},
        ci_low=3.0,
        ci_high=9.0,
        criterion={},
        text="",
        stderr_stops=0.2,
    )
    new = replace(old, value={"f_number_low": 4.0, "f_number_high": 16.0})
    difference = compare(old, new)
    assert difference.setting == "f_number_high"
    assert difference.stops == pytest.approx(2.0)


def test_swapping_old_and_new_changes_the_sign_only() -> None:
    forth, back = compare(iso(1000, 0.1), iso(1700, 0.2)), compare(iso(1700, 0.2), iso(1000, 0.1))
    assert forth.stops == pytest.approx(-back.stops)
    assert forth.p == pytest.approx(back.p)


def test_limits_of_different_kinds() -> None:
    shutter = replace(iso(1), kind="shutter", value={"shutter_s": 0.02})
    with pytest.raises(LimitsError, match="different kinds"):
        compare(iso(3200), shutter)
