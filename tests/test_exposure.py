"""Marked and exact settings, and the exposure equations, against published figures.

Sources: ISO 2720 (N^2/t = L S / K, K = 12.5 cd s/m^2; N^2/t = E S / C, C = 250 lx s), ISO 12232 (H_m = 10/S,
H_sat = 78/S), nominal and exact pairs: all as in ../shared/published/facts.md, which gives them from memory.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from kitgauge.exposure import (
    C_INCIDENT_LX_S,
    MIDGREY_FRACTION_OF_SATURATION,
    Dial,
    dial_f_number,
    dial_iso,
    dial_shutter,
    ev100,
    ev100_from_lux,
    exact_f_number,
    exact_iso,
    exact_shutter_s,
    f_number_dial,
    format_exact_f_number,
    format_exact_iso,
    format_exact_shutter,
    format_f_number,
    format_shutter,
    iso_dial,
    iso_for,
    nominal_f_number,
    nominal_iso,
    nominal_shutter_s,
    percent,
    shutter_dial,
)

DIALS = {"shutter": shutter_dial, "f_number": f_number_dial, "iso": iso_dial}
EXACT = {"shutter": exact_shutter_s, "f_number": exact_f_number, "iso": exact_iso}
NOMINAL = {"shutter": nominal_shutter_s, "f_number": nominal_f_number, "iso": nominal_iso}
STEPS = {"thirds": 1 / 3, "halves": 1 / 2, "whole": 1.0}

every_dial = pytest.mark.parametrize("kind", DIALS)
every_step = pytest.mark.parametrize("step", STEPS)
times_s = st.floats(1e-5, 1e3)
f_numbers = st.floats(0.7, 128)
isos = st.floats(10, 1e6)


def stops_between(a: float, b: float) -> float:
    return math.log2(b / a)


# --- published pairs
# -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("marked", "exact"),
    [
        # facts.md, "Nominal and exact settings"
        (1 / 125, 1 / 128), (1 / 60, 1 / 64), (1 / 15, 1 / 16),
        # the rest of the whole-stop row, powers of two (common practice, no source)
        (1 / 8000, 1 / 8192), (1 / 4000, 1 / 4096), (1 / 2000, 1 / 2048), (1 / 1000, 1 / 1024),
        (1 / 500, 1 / 512), (1 / 250, 1 / 256), (1 / 30, 1 / 32), (1 / 8, 1 / 8), (1 / 4, 1 / 4),
        (1 / 2, 1 / 2), (1, 1), (2, 2), (4, 4), (8, 8), (15, 16), (30, 32),
    ],
)  # fmt: skip
def test_exact_shutter_times(marked, exact):
    assert exact_shutter_s(marked) == pytest.approx(exact, rel=1e-12)
    assert nominal_shutter_s(exact) == pytest.approx(marked, rel=1e-12)
    assert exact_shutter_s(exact) == pytest.approx(exact, rel=1e-12)


@pytest.mark.parametrize(
    ("marked", "exact"),
    [
        (5.6, 2**2.5), (11, 2**3.5),  # facts.md
        (1, 1), (1.4, 2**0.5), (2, 2), (2.8, 2**1.5), (4, 4), (8, 8), (16, 16), (22, 2**4.5), (32, 32),
        # thirds: 2^(k/6)
        (1.8, 2 ** (5 / 6)), (3.5, 2 ** (11 / 6)), (6.3, 2 ** (16 / 6)), (9, 2 ** (19 / 6)),
        (13, 2 ** (22 / 6)),
    ],
)  # fmt: skip
def test_exact_f_numbers(marked, exact):
    assert exact_f_number(marked) == pytest.approx(exact, rel=1e-12)
    assert nominal_f_number(exact) == marked


@pytest.mark.parametrize(
    ("marked", "exact"),
    [(100, 100), (200, 200), (125, 100 * 2 ** (1 / 3)), (160, 100 * 2 ** (2 / 3)), (6400, 6400),
     (102400, 102400), (409600, 409600)],
)  # fmt: skip
def test_exact_isos(marked, exact):
    assert exact_iso(marked) == pytest.approx(exact, rel=1e-12)
    assert nominal_iso(exact) == marked


def test_midgrey_is_12_8_percent_of_saturation():
    # ISO 12232: H_m = 10/S over H_sat = 78/S; printed 12.8 %
    assert pytest.approx(0.128, abs=0.0005) == MIDGREY_FRACTION_OF_SATURATION


# --- published exposures
# ---------------------------------------------------------------------------------------------


def test_constants():
    assert C_INCIDENT_LX_S == 250.0


def test_full_sun():
    # facts.md: full sun is EV 15 at ISO 100, f/16 at 1/ISO. Exact settings: 16^2 * 128 = 2^15
    assert ev100(16.0, 1 / 128, 100.0) == pytest.approx(15.0)
    assert iso_for(15.0, exact_f_number(16), exact_shutter_s(1 / 125)) == pytest.approx(100.0)
    # the marked values would be off: 1/100 s is not even a whole stop
    assert ev100(16.0, 1 / 100, 100.0) == pytest.approx(14.64, abs=0.005)


def test_incident_light_by_the_equation():
    # N^2/t = E S / C, solved by hand for f/4, 1/60 -> 1/64 s, ISO 100: N^2/t = 1024
    illuminance = 1024 * 250 / 100  # 2560 lx
    assert ev100_from_lux(illuminance) == pytest.approx(10.0)
    assert ev100(4.0, 1 / 64, 100.0) == pytest.approx(10.0)
    # EV 0 at ISO 100 is 2.5 lx
    assert ev100_from_lux(2.5) == pytest.approx(0.0)


@given(times_s, f_numbers, isos)
def test_iso_for_undoes_ev100(shutter_s, f_number, iso):
    assert iso_for(ev100(f_number, shutter_s, iso), f_number, shutter_s) == pytest.approx(iso)


@given(times_s, f_numbers, isos, st.floats(-5, 5))
def test_each_setting_moves_ev_by_its_stops(shutter_s, f_number, iso, stops):
    start = ev100(f_number, shutter_s, iso)
    factor = 2.0**stops
    assert ev100(f_number, shutter_s / factor, iso) == pytest.approx(start + stops)
    assert ev100(f_number * math.sqrt(factor), shutter_s, iso) == pytest.approx(start + stops)
    assert ev100(f_number, shutter_s, iso * factor) == pytest.approx(start - stops)


@given(st.floats(0.01, 1e6), st.floats(0.01, 1e6))
def test_light_is_logarithmic(first, second):
    assert ev100_from_lux(second) - ev100_from_lux(first) == pytest.approx(stops_between(first, second), abs=1e-9)


# --- dials
# -----------------------------------------------------------------------------------------------------------


@every_dial
@every_step
def test_dials_rise_in_equal_steps(kind, step):
    dial = DIALS[kind](step)
    assert list(dial.nominal) == sorted(set(dial.nominal))
    gaps = [
        dial.stops_per_factor * stops_between(low, high) for low, high in zip(dial.exact, dial.exact[1:], strict=False)
    ]
    assert gaps == pytest.approx([STEPS[step]] * len(gaps), abs=1e-9)


@every_dial
@every_step
def test_marks_are_near_what_they_stand_for(kind, step):
    """No mark is off by more than a quarter stop (the worst: 1/3 s and 1/10 s in halves)."""
    dial = DIALS[kind](step)
    for marked, exact in zip(dial.nominal, dial.exact, strict=True):
        assert abs(dial.stops_per_factor * stops_between(marked, exact)) < 0.25


@every_dial
def test_thirds_go_there_and_back(kind):
    dial = DIALS[kind]("thirds")
    for marked, exact in zip(dial.nominal, dial.exact, strict=True):
        assert EXACT[kind](marked) == pytest.approx(exact, rel=1e-12)
        assert NOMINAL[kind](exact) == pytest.approx(marked, rel=1e-12)


@every_dial
def test_exact_halves_keep_their_place(kind):
    dial = DIALS[kind]("halves")
    for exact in dial.exact:
        assert EXACT[kind](exact) == pytest.approx(exact, rel=1e-12)


@pytest.mark.parametrize(
    ("marked", "exact"),
    [(1 / 45, 2**-5.5), (1 / 90, 2**-6.5), (1 / 180, 2**-7.5), (1 / 350, 2**-8.5), (0.7, 2**-0.5)],
)
def test_marked_half_stops(marked, exact):
    assert exact_shutter_s(marked) == pytest.approx(exact, rel=1e-12)


def test_marked_half_stop_apertures_and_isos():
    assert exact_f_number(6.7) == pytest.approx(2**2.75)
    assert exact_f_number(9.5) == pytest.approx(2**3.25)
    assert exact_iso(140) == pytest.approx(100 * 2**0.5)


@every_dial
@given(data=st.data())
def test_snapping_is_stable_and_small(kind, data):
    value = data.draw({"shutter": times_s, "f_number": f_numbers, "iso": isos}[kind])
    per_factor = 2.0 if kind == "f_number" else 1.0
    exact, nominal = EXACT[kind](value), NOMINAL[kind](value)
    assert EXACT[kind](exact) == pytest.approx(exact, rel=1e-12)
    # a mark is at most a quarter stop from what it stands for, and a value 0.03 from its mark
    assert per_factor * abs(stops_between(value, exact)) < 0.28
    assert per_factor * abs(stops_between(value, nominal)) < 0.32


@every_dial
def test_values_on_no_dial_stay(kind):
    dial = DIALS[kind]("thirds")
    middle = math.sqrt(dial.exact[-1] * dial.exact[-2]) if kind != "shutter" else 100.0
    if kind == "shutter":
        assert (exact_shutter_s(middle), nominal_shutter_s(middle)) == (middle, middle)
    beyond = dial.exact[-1] * 3
    assert (EXACT[kind](beyond), NOMINAL[kind](beyond)) == (beyond, beyond)


@pytest.mark.parametrize("time_s", [1 / 1205, 1 / 1740, 1 / 114, 1 / 274])
def test_freely_chosen_times_are_exact_as_they_stand(time_s):
    # recorded by phones and compacts of ../shared/real/exif: such cameras time freely, not in steps
    assert exact_shutter_s(time_s) == time_s


def test_times_rounded_by_apex_are_the_dial_position():
    # Exif APEX values with one decimal: Tv 6.6 is 1/97 s, the mark 1/100 s (Tv 6.667)
    assert exact_shutter_s(2**-6.6) == pytest.approx(2 ** (-20 / 3))
    assert nominal_shutter_s(2**-6.3) == pytest.approx(1 / 80)


@every_dial
@every_step
@given(data=st.data())
def test_nearest_at_most_at_least_agree_with_a_search(kind, step, data):
    dial = DIALS[kind](step)
    value = data.draw(st.floats(dial.exact[0] / 4, dial.exact[-1] * 4))
    distances = [abs(stops_between(exact, value)) for exact in dial.exact]
    assert distances[dial.nearest(value)] == pytest.approx(min(distances))
    assume(min(distances) > 1e-5)  # within 1e-6 both count the position itself
    below = [index for index, exact in enumerate(dial.exact) if exact < value]
    above = [index for index, exact in enumerate(dial.exact) if exact > value]
    assert dial.at_most(value) == (below[-1] if below else None)
    assert dial.at_least(value) == (above[0] if above else None)


@every_dial
@every_step
def test_dial_positions_find_themselves(kind, step):
    dial = DIALS[kind](step)
    for index, exact in enumerate(dial.exact):
        for nudged in (exact, exact * (1 + 1e-9), exact * (1 - 1e-9)):
            assert dial.nearest(nudged) == index
            assert dial.at_most(nudged) == index
            assert dial.at_least(nudged) == index


# --- text
# ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("time_s", "text"),
    [(1 / 128, "1/125 s"), (1 / 60, "1/60 s"), (1 / 8192, "1/8000 s"), (0.5, "0.5 s"), (0.3, "0.3 s"),
     (2 ** (-5 / 3), "0.3 s"), (1 / 4, "1/4 s"), (2**-0.5, "0.7 s"), (0.8, "0.8 s"), (1, "1 s"),
     (1.3, "1.3 s"), (3.2, "3.2 s"), (16, "15 s"), (32, "30 s"), (100, "100 s"),
     (1 / 1205, "1/1205 s"), (1 / 3.6, "1/3.6 s")],
)  # fmt: skip
def test_shutter_text(time_s, text):
    assert format_shutter(time_s) == text


@pytest.mark.parametrize(
    ("f_number", "text"),
    [(2**2.5, "f/5.6"), (1, "f/1"), (2**0.5, "f/1.4"), (16, "f/16"), (2**3.25, "f/9.5"), (11, "f/11")],
)  # fmt: skip
def test_f_number_text(f_number, text):
    assert format_f_number(f_number) == text


@every_step
def test_texts_of_a_dial_differ(step):
    times = [format_shutter(value) for value in shutter_dial(step).exact]
    assert len(set(times)) == len(times)
    apertures = [format_f_number(value) for value in f_number_dial(step).exact]
    assert len(set(apertures)) == len(apertures)


# --- refusals
# --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_impossible_values_raise(value):
    for function in (
        *EXACT.values(),
        *NOMINAL.values(),
        ev100_from_lux,
        format_shutter,
    ):
        with pytest.raises(ValueError, match="positive number"):
            function(value)
    for settings in ((value, 1 / 60, 100), (4, value, 100), (4, 1 / 60, value)):
        with pytest.raises(ValueError, match="positive number"):
            ev100(*settings)
    with pytest.raises(ValueError, match="positive"):
        Dial((1.0,), (1.0,), 1.0).nearest(value if value != math.inf else -1.0)


def test_exact_values_are_told_as_they_are() -> None:
    assert format_exact_shutter(1 / 43.4) == "1/43 s"
    assert format_exact_shutter(1 / 51) == "1/51 s"  # marked 1/50 is near, but not the same
    assert format_exact_shutter(1 / 4.4) == "1/4.4 s"
    assert format_exact_shutter(0.617) == "0.62 s"
    assert format_exact_shutter(12.4) == "12 s"
    assert format_exact_f_number(3.4421) == "f/3.44"
    assert format_exact_f_number(10.347) == "f/10.3"
    assert format_exact_f_number(8) == "f/8"
    assert format_exact_iso(8540.4) == "ISO 8540"
    assert format_exact_iso(102400) == "ISO 102400"


def test_the_dial_value_on_the_safe_side() -> None:
    # marked 1/50 does 2^(-17/3) s = 1/50.8, f/3.5 2^(11/6) = 3.56, f/10 2^(20/6) = 10.08, ISO 8000 8063
    assert dial_shutter(1 / 43) == pytest.approx(1 / 50)
    assert dial_shutter(1 / 51) == pytest.approx(1 / 60)
    assert dial_f_number(3.44, up=True) == 3.5
    assert dial_f_number(10.35, up=False) == 10
    assert dial_iso(8540) == 8000
    assert dial_iso(8000) == 6400
    assert dial_iso(20) == 20  # below the dial


def test_per_cent_is_never_all_or_nothing_where_it_is_only_near() -> None:
    assert [percent(share) for share in (0.97, 1.0, 0.9999, 0.0, 0.001)] == [
        "97 %",
        "100 %",
        "over 99 %",
        "0 %",
        "under 1 %",
    ]
