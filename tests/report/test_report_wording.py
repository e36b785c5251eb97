"""Numbers in words."""

from __future__ import annotations

import math

import pytest

from kitgauge.report import wording
from kitgauge.report.data import number, split_flags


@pytest.mark.parametrize(
    ("value", "error", "shown"),
    [
        (5.2037, 0.0163, "5.204 ± 0.016"),
        (520.4, 12.3, "520 ± 12"),
        (71760.0, 1234.0, "71760 ± 1234"),
        (0.00031, 0.000042, "0.000310 ± 0.000042"),
        (1.1, math.nan, "1.1 ± not estimated"),
        (math.nan, 0.1, "unknown"),
        (1.5, 0.0, "1.5 ± 0"),  # never rounded away: an error of 0 must be seen
    ],
)
def test_value_and_error_are_rounded_to_the_same_place(value: float, error: float, shown: str) -> None:
    assert wording.with_error(value, error) == shown


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (0.0, "0"),
        (12345.6, "12346"),
        (0.5, "0.5"),
        (1e-9, "1.000e-09"),
        (math.inf, "unknown"),
        (8e9, "8.000e+09"),
    ],
)
def test_plain_numbers(value: float, shown: str) -> None:
    assert wording.plain(value) == shown


def test_settings_as_marked_and_measured_times_as_they_are() -> None:
    assert wording.shutter(1 / 64) == "1/60 s"
    assert wording.exact_shutter(1 / 64) == "1/64 s" and wording.exact_shutter(0.62) == "0.62 s"
    assert wording.f_number(2**2.5) == "f/5.6"
    assert wording.iso(math.nan) == wording.shutter(0) == "unknown"


@pytest.mark.parametrize("value", [None, "", "x", True, float("nan"), float("inf"), [1]])
def test_what_is_no_number_is_unknown(value: object) -> None:
    assert math.isnan(number(value))


def test_lists_are_cut_and_counted() -> None:
    assert wording.listing([*"abc"], 2) == "a, b, c"  # one more is shown rather than counted
    assert wording.listing([*"abcd"], 2) == "a, b and 2 more"
    assert wording.count(1, "frame") == "1 frame" and wording.count(2, "frame") == "2 frames"


def test_flags_are_told_from_remarks() -> None:
    assert split_flags("clipped too-dark") == (("clipped", "too-dark"), ())
    assert split_flags("clipped; the card moved|too-dark") == (("clipped", "too-dark"), ("the card moved",))
    assert split_flags("") == ((), ())
    assert split_flags("brand-new-flag") == ((), ("brand-new-flag",))


def test_lines_do_not_break_between_number_and_unit() -> None:
    assert (
        wording.tie("1/60 s or ISO 400 at 95 %")
        == "1/60\N{NO-BREAK SPACE}s or ISO\N{NO-BREAK SPACE}400 at 95\N{NO-BREAK SPACE}%"
    )
    assert wording.tie("4 square cards") == "4 square cards"
