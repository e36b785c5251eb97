"""The words of a plan: what cannot be had comes first, what is short is told from what is not, nothing is repeated."""

from __future__ import annotations

import math

import pytest

from kitgauge.limits.entries import AcceptedLimit
from kitgauge.planner.plan import Plan, make_plan
from kitgauge.planner.predict import Predicted
from kitgauge.planner.request import CameraFacts, PlanRequest
from kitgauge.planner.text import expectations


def plan(limits: tuple[AcceptedLimit, ...] | list[AcceptedLimit] = (), **request: object) -> Plan:
    return make_plan(PlanRequest(**request), limits)  # type: ignore[arg-type]


def unwrapped(made: Plan) -> str:
    return " ".join(made.text().split())


def test_depth_that_no_f_number_has_is_said_first() -> None:
    text = plan(light="ev6", focal_mm=85, near_m=1.0, far_m=100.0).text()
    first = text.partition("\n")[0]
    # 85 mm at 1 m to 100 m: f^2 (s - n)/(c n (s - f)) = 130, far beyond what diffraction lets be sharp
    assert first.startswith("No f-number has 1 m to 100 m in focus at 85 mm: f/")
    assert "reaches" in first
    assert "opened beyond what" not in text
    assert "in focus at" not in plan(light="ev12", focal_mm=35, near_m=2.0, far_m=2.2).text()


def test_depth_that_the_light_does_not_leave_is_said_first() -> None:
    made = plan(light="ev2", focal_mm=50, near_m=2.0, far_m=2.6, subject="moving")
    assert made.choice.opened
    first = made.text().partition("\n\n")[0]
    assert first.startswith("f/2.8 does not have 2 m to 2.6 m in focus: it reaches")
    assert "would be needed" in first


def test_a_tripod_asks_whether_anything_moves() -> None:
    made = plan(light="ev6", focal_mm=50, technique="tripod")
    nothing_moves = plan(light="ev6", focal_mm=50, technique="tripod", subject="0")
    first = nothing_moves.text().partition("\n")[0]
    assert f"'still' means a person holding still. If nothing moves, add --subject 0: {first}." in unwrapped(made)
    assert made.setting.shutter_s < nothing_moves.setting.shutter_s
    for other in (nothing_moves, plan(light="ev6", focal_mm=50), plan(light="ev6", technique="tripod", subject="fast")):
        assert "--subject 0" not in other.text()


def test_what_is_not_short_is_said_so(kit_limits: list[AcceptedLimit]) -> None:
    # EV 6 at 1/64 s and f/4: ISO 100 x 2^(4 + 6 - 6) = 1600, one stop below the usual ISO 3200
    assert "Nothing is short: ISO 1600 is 1.0 stops below the usual limit." in unwrapped(plan(light="ev6", focal_mm=50))
    # f/2.8 and 1/64 s: ISO 400 at EV 7; limit 4500, on the dial 4000: 3 1/3 stops
    text = unwrapped(plan(kit_limits, light="ev7", focal_mm=50, technique="seated"))
    assert "Nothing is short: ISO 400 is 3.3 stops below your limit." in text
    assert "Nothing is short" not in plan(light="ev3", focal_mm=50, subject="moving").text()
    assert "Nothing is short" not in plan(light="ev16", focal_mm=85, near_m=1.0, far_m=100.0, subject="0").text()


def test_settings_of_the_plan_are_not_offered_as_a_way_out() -> None:
    made = plan(light="ev4", focal_mm=50, subject="moving")
    assert any(way.kind == "higher-iso" for way in made.alternatives)
    headline, *rest = made.text().splitlines()
    ways = [line.partition(". ")[2] for line in rest if line[:5].strip().rstrip(".").isdigit()]
    assert len(ways) == len(made.alternatives) - 1
    assert headline not in ways
    assert "Or keep the settings above: ISO" in made.text()


def test_no_way_out_asks_for_more_than_twelve_frames(kit_limits: list[AcceptedLimit]) -> None:
    seen = 0
    for ev in range(-4, 8):
        for near_m, far_m in ((2.0, 2.0), (1.0, 1.5), (1.0, 100.0)):
            made = plan(
                kit_limits, light=f"ev{ev}", near_m=near_m, far_m=far_m, focal_mm=50, subject="0", technique="standing"
            )
            seen += sum(way.frames > 1 for way in made.alternatives)
            assert all(way.frames <= 12 for way in made.alternatives)
    assert seen


def test_times_asked_for_are_on_the_dial() -> None:
    # 2060 mm/s at 3 m with 85 mm: 85/2915 x 2060 = 60.1 mm/s; 0.02884 mm take 1/2083 s, and 1/2000 is 1/2048
    made = plan(light="ev0", focal_mm=85, distance_m=3.0, subject=2060)
    assert "it wants 1/2500 s or faster" in unwrapped(made)


def test_lines_are_short_and_shares_have_their_space(kit_limits: list[AcceptedLimit]) -> None:
    for made in (
        plan(kit_limits, light="ev3", focal_mm=50, near_m=1.0, far_m=9.0, technique="standing"),
        plan(light="800lux", focal_mm=200, distance_m=3.0, subject="900", output_mp=24.0),
    ):
        lines = made.text().splitlines()
        assert max(map(len, lines)) <= 100
        assert not any(digit + "%" in made.text() for digit in "0123456789")


def test_a_small_error_of_the_dials_is_not_told() -> None:
    made = plan(light="ev9.4", focal_mm=50)
    assert 0.005 < abs(made.exposure_error_stops) < 0.1
    assert "dials expose" not in made.text()
    made = plan(light="ev9.8", focal_mm=50)
    assert abs(made.exposure_error_stops) > 0.1
    assert "dials expose 0.1 stops" in made.text()


def test_an_interval_narrower_than_its_last_digit_is_not_told() -> None:
    predicted = Predicted(None, 20.94, None, None, None, snr_interval=(20.92, 20.96))
    assert expectations(predicted)[1] == "SNR 20.9 at mid-grey"
    wide = predicted._replace(snr_interval=(20.1, 21.7))
    assert expectations(wide)[1] == "SNR 20.9 at mid-grey (20.1 to 21.7)"


def test_a_distance_that_does_not_count_is_said_so() -> None:
    def not_used(**request: object) -> bool:
        made = plan(light="ev10", focal_mm=50, **request)
        return any("--distance is not used" in item for item in made.cautions)

    assert not_used(near_m=2.0, far_m=4.0, distance_m=3.0)
    assert not not_used(near_m=2.0, far_m=4.0, distance_m=3.0, subject="900")  # the speed is seen from there
    assert not not_used(distance_m=3.0)
    assert not not_used(near_m=2.0, far_m=4.0)


def test_what_was_assumed_is_said() -> None:
    text = unwrapped(plan(light="ev9"))
    assert "50 mm in 35 mm terms, assumed as no focal length was given" in text
    assert "assumed as no focal" not in unwrapped(plan(light="ev9", focal_mm=50))
    assert "depth: as asked: no distance was given" in text
    assert "camera: common practice: ISO 100 to 25600" in text
    given = make_plan(PlanRequest(light="ev9"), (), CameraFacts(f_min=1.8))
    assert "camera: as asked: ISO 100 to 25600, f/1.8 to f/22" in unwrapped(given)


@pytest.mark.parametrize("far_m", [4.0, math.inf])
def test_exact_limits_are_told_as_they_are(kit_limits: list[AcceptedLimit], far_m: float) -> None:
    text = unwrapped(plan(kit_limits, light="ev9", focal_mm=50, near_m=2.0, far_m=far_m, technique="standing"))
    # kept in the limits: 2.8 to 9.0, on the dial f/2.8 is 2.83 and f/9 8.98; 0.02 s; ISO 4500
    assert "is sharp from f/2.8 to f/9" in text
    assert "1/50 s keeps 80 % of frames" in text
    assert "up to ISO 4500 (on the dial ISO 4000)" in text


def test_no_burst_of_thousands_is_asked_for(kit_limits: list[AcceptedLimit]) -> None:
    made = plan(kit_limits, light="ev-8", focal_mm=50, subject="0", technique="standing")
    assert made.burst_frames is None
    assert made.predicted.keep_rate is not None
    assert 0 < made.predicted.keep_rate < 0.01
    assert "Not even 12 frames hold one sharp with 95 % confidence." in made.text()
    assert f"Shoot {made.burst_frames}" not in made.text()


def test_a_limit_carried_over_says_to_what(kit_limits: list[AcceptedLimit]) -> None:
    # 0.02 s at 50 mm; four times the focal length shows a quarter of the time
    text = unwrapped(plan(kit_limits, light="ev9", focal_mm=200, technique="standing"))
    assert "1/50 s keeps 80 % of frames, carried to 200 mm by angle: 1/200 s" in text
    # streaks of a steady drift (Rayleigh) grow with time: 1 - (1 - 0.8)^(t0/t)^2 = 0.96 at t0/sqrt(2)
    text = unwrapped(plan(kit_limits, light="ev9", focal_mm=50, technique="standing", keep=0.96))
    assert "1/50 s keeps 80 % of frames; 1/71 s keeps 96 %" in text
