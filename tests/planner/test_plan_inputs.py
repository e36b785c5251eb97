"""What can be asked of a plan: direction and units of speed, support, prints, keepers, filters, margins, focusing."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from kitgauge.errors import KitgaugeError, PlanError, UsageError
from kitgauge.limits.entries import AcceptedLimit
from kitgauge.limits.model import Limit
from kitgauge.planner.focusing import Focusing, focusing_of
from kitgauge.planner.kit_model import KitModel
from kitgauge.planner.light import parse_light
from kitgauge.planner.plan import Plan, make_plan
from kitgauge.planner.request import CameraFacts, PlanRequest, subject_speed_mm_s
from kitgauge.planner.subjects import image_speed_mm_s

DIAGONAL_MM = math.hypot(36, 24)


def plan(
    limits: list[AcceptedLimit] | tuple[AcceptedLimit, ...] = (),
    camera: CameraFacts | None = None,
    model: KitModel | None = None,
    **asked: object,
) -> Plan:
    return make_plan(PlanRequest(**{"light": "ev10", "focal_mm": 50.0, **asked}), limits, camera, model)  # type: ignore[arg-type]


def moved_by_pinhole(speed_m_s: float, distance_m: float, focal_mm: float, degrees: float, height_mm: float) -> float:
    """Image speed of a point by moving it for a microsecond in front of a thin lens and projecting it twice."""
    f, dt, angle = focal_mm / 1000, 1e-6, math.radians(degrees)
    image_m = f * distance_m / (distance_m - f)
    x, z = height_mm / 1000 * distance_m / image_m, distance_m
    later_x, later_z = x + speed_m_s * math.sin(angle) * dt, z - speed_m_s * math.cos(angle) * dt
    return abs(later_x / later_z - x / z) * image_m / dt * 1000


@pytest.mark.parametrize("degrees", [0.0, 15.0, 45.0, 80.0, 90.0])
@pytest.mark.parametrize(("speed", "distance", "focal"), [(1.4, 5.0, 50.0), (11.0, 20.0, 300.0), (0.3, 1.2, 85.0)])
def test_direction_of_a_speed(degrees: float, speed: float, distance: float, focal: float) -> None:
    ours = image_speed_mm_s(speed * 1000, distance, focal, DIAGONAL_MM, degrees)
    traced = moved_by_pinhole(speed, distance, focal, degrees, DIAGONAL_MM / 4)
    assert ours == pytest.approx(traced, rel=0.05 + focal / 1000 / distance)


def test_towards_the_camera_the_shutter_may_be_slower_than_across() -> None:
    times = [
        plan(subject="5m/s", distance_m=10.0, direction_deg=degrees).inputs.motion.subject_cap_s
        for degrees in (0, 30, 60, 90)
    ]
    assert times == sorted(times, reverse=True)
    assert math.log2(times[0] / times[-1]) > 1
    assert times[0] == pytest.approx(
        plan(subject="5m/s", distance_m=10.0, direction_deg=180).inputs.motion.subject_cap_s
    )
    assert plan(subject="5m/s", distance_m=10.0).inputs.motion.subject_cap_s == pytest.approx(times[-1])


@pytest.mark.parametrize(
    ("text", "mm_s"),
    [("1400", 1400), ("1.4m/s", 1400), ("1,4 m/s", 1400), ("5km/h", 1388.889), ("250 mm/s", 250), ("30MPH", 13411.2)],
)
def test_units_of_speed(text: str, mm_s: float) -> None:
    assert subject_speed_mm_s(text) == pytest.approx(mm_s, rel=1e-5)


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"direction_deg": 45.0}, "a direction needs a speed"),
        ({"direction_deg": 200.0, "subject": "100", "distance_m": 3.0}, "--direction"),
        ({"subject": "-3km/h", "distance_m": 3.0}, "-3km/h"),
        ({"subject": "3 parsec/h", "distance_m": 3.0}, "unknown subject"),
        ({"print_long_side_cm": 60.0}, "--viewing-cm"),
        ({"print_long_side_cm": 60.0, "viewing_distance_cm": 80.0, "output_mp": 8.0}, "given twice"),
        ({"keepers": 0}, "keepers"),
        ({"stabiliser_stops": 40.0}, "--stabiliser"),
        ({"technique": "tripod", "stabiliser_stops": 3.0}, "nothing on a tripod"),
        ({"light": "flash"}, "flash is not planned"),
        ({"nd_stops": math.nan}, "--nd"),
    ],
)
def test_what_cannot_be_asked_is_told_in_one_message(asked: dict[str, object], says: str) -> None:
    with pytest.raises((UsageError, PlanError)) as caught:
        plan(**asked)
    assert says in caught.value.message()
    assert caught.value.fix


def test_monopod_and_stabiliser_steady_the_hands_only(kit_limits: list[AcceptedLimit], kit_camera: CameraFacts) -> None:
    bare = plan(kit_limits, kit_camera, technique="standing", subject="0")
    for asked, stops in (({"technique": "monopod"}, 2.0), ({"technique": "standing", "stabiliser_stops": 3.0}, 3.0)):
        steadier = plan(kit_limits, kit_camera, subject="0", **asked)
        cap = steadier.inputs.motion.hands_cap_s
        assert cap == pytest.approx(bare.inputs.motion.hands_cap_s * 2**stops)
        assert steadier.basis["hands"].basis == "scaled"
        assert "was not measured" in steadier.basis["hands"].text
        hands = steadier.inputs.motion.hands
        assert hands is not None
        assert hands.keep_rate(cap) == pytest.approx(0.8)
    by_rule = plan(technique="monopod")
    assert by_rule.inputs.motion.hands_cap_s == pytest.approx(4 / 50)
    assert by_rule.basis["hands"].basis == "common practice"
    moving = plan(kit_limits, kit_camera, technique="standing", stabiliser_stops=3.0, subject="moving")
    assert moving.setting.shutter_s <= 1 / 256
    assert any("not the subject" in text for text in moving.cautions)
    own = replace(kit_limits[0], limit=replace(kit_limits[0].limit, technique="standing, stabiliser on"))
    with pytest.raises(UsageError, match="counted twice"):
        plan([own], kit_camera, technique="standing, stabiliser on", stabiliser_stops=2.0)


def test_a_measured_monopod_is_taken_as_measured(kit_limits: list[AcceptedLimit], kit_camera: CameraFacts) -> None:
    own = replace(kit_limits[0].limit, technique="Monopod", value={"shutter_s": 0.04})
    made = plan([*kit_limits, replace(kit_limits[0], limit=own)], kit_camera, technique="monopod", subject="0")
    assert made.inputs.motion.hands_cap_s == pytest.approx(0.04)
    assert made.basis["hands"].basis == "measured run"


def test_a_print_is_as_large_as_the_eye_resolves_it() -> None:
    # one pixel per arc minute: 60 cm seen from 80 cm hold 60 / (80 tan 1') = 2578 pixels, 2/3 of that the other way
    made = plan(print_long_side_cm=60.0, viewing_distance_cm=80.0)
    assert made.inputs.noise.output_mp == pytest.approx(2578.3**2 * 2 / 3 / 1e6, rel=1e-4)
    near = plan(print_long_side_cm=60.0, viewing_distance_cm=25.0)
    assert near.optics.viewing.circle_mm < made.optics.viewing.circle_mm
    small = CameraFacts(frame_width_mm=36, frame_height_mm=24, sensor_pixels=6e6)
    assert plan(camera=small, print_long_side_cm=200.0, viewing_distance_cm=20.0).inputs.noise.output_mp == 6.0


def test_keepers_lengthen_the_burst(kit_limits: list[AcceptedLimit], kit_camera: CameraFacts) -> None:
    frames = [
        plan(kit_limits, kit_camera, light="ev6", technique="standing", subject="0", keepers=n).burst_frames
        for n in (1, 2, 5)
    ]
    assert None not in frames
    assert frames == sorted(frames)  # type: ignore[type-var]
    made = plan(kit_limits, kit_camera, light="ev6", technique="standing", subject="0", keepers=5)
    assert f"Shoot {made.burst_frames} frames to have 5 sharp" in made.text()
    assert made.burst.at_low_end is not None and made.burst.frames is not None
    assert made.burst.at_low_end >= made.burst.frames
    assert made.as_dict()["burst"]["keepers"] == 5


def test_a_margin_for_highlights_costs_snr_and_is_no_free_light(
    kit_limits: list[AcceptedLimit], kit_camera: CameraFacts
) -> None:
    plain, kept = (
        plan(kit_limits, kit_camera, light="ev6", technique="standing", subject="0", highlight_margin_stops=margin)
        for margin in (0.0, 1.0)
    )
    assert kept.setting.iso == pytest.approx(plain.setting.iso / 2)
    assert (kept.setting.shutter_s, kept.setting.f_number) == (plain.setting.shutter_s, plain.setting.f_number)
    # the same light falls on the sensor: without read noise the same SNR of the scene's mid-grey
    assert kept.predicted.snr == pytest.approx(plain.predicted.snr)
    assert kept.bounds.iso_limit == pytest.approx(plain.bounds.iso_limit / 2)


def test_an_nd_filter_takes_its_stops() -> None:
    bare, dark = (plan(light="ev15", technique="tripod", subject="0", nd_stops=stops) for stops in (0.0, 10.0))
    assert math.log2(dark.setting.shutter_s / bare.setting.shutter_s) == pytest.approx(10.0)
    assert any("filter" in text for text in dark.cautions)


def test_past_the_dial_a_tripod_exposes_by_hand() -> None:
    made = plan(light="ev-7", technique="tripod", subject="0", camera=CameraFacts(iso_max=800.0))
    assert made.choice.underexposed_stops > 0
    (way,) = (way for way in made.alternatives if way.kind == "long-exposure")
    seconds = way.price_numbers["shutter_s"]
    assert seconds is not None
    # t = 100 N^2/(S 2^EV)
    exact = 100 * way.setting.f_number**2 / (way.setting.iso * 2**-7.0)
    assert seconds == pytest.approx(exact, rel=0.01)
    assert "bulb" in way.price
    handheld = plan(light="ev-7", subject="0", camera=CameraFacts(iso_max=800.0))
    assert not any(way.kind == "long-exposure" for way in handheld.alternatives)


def test_a_little_of_each_closes_the_gap_with_the_smallest_largest_step(
    kit_limits: list[AcceptedLimit], kit_camera: CameraFacts
) -> None:
    made = plan(kit_limits, kit_camera, light="ev2.7", near_m=1.9, far_m=2.2, technique="standing")
    (way,) = (way for way in made.alternatives if way.kind == "mixed")
    numbers = {name: way.price_numbers[f"{name}_stops"] or 0.0 for name in ("opened", "slower", "above_limit")}
    assert sum(stops > 0.05 for stops in numbers.values()) >= 2
    assert sum(numbers.values()) == pytest.approx(made.shortfall_stops, abs=0.35)
    error = math.log2(way.setting.shutter_s * way.setting.iso / 100 / way.setting.f_number**2) + 2.7
    assert abs(error) <= 1 / 6 + 1e-6
    # any single way gives up more on its one side
    singles = {w.kind: w for w in made.alternatives}
    assert max(numbers.values()) < (singles["slower-shutter"].price_numbers["slower_stops"] or 0.0)


def focus_limit(number: float, keep: float = 0.8, flags: tuple[str, ...] = ()) -> AcceptedLimit:
    limit = Limit("focus", {"f_number": number}, {}, math.nan, math.nan, {"keep": keep, "focus_loss": 1 / 3}, "",
                  lens="Invented 50 mm", focal_mm=50.0, flags=flags)  # fmt: skip
    return AcceptedLimit(limit, "Invented One", "focus-1", datetime(2026, 5, 2, tzinfo=UTC))


def test_a_measured_focusing_binds_the_f_number_and_the_frames(
    kit_limits: list[AcceptedLimit], kit_camera: CameraFacts
) -> None:
    asked = {"light": "ev8", "distance_m": 2.0, "technique": "standing", "subject": "0"}
    made = plan([*kit_limits, focus_limit(4.5)], kit_camera, **asked)
    assert made.setting.f_number >= 4.5
    assert made.binds == "hands" or made.binds_stops["focus"] > 0
    assert made.binds_stops["focus"] == pytest.approx(2 * math.log2(4.5 / 2.8), abs=1e-6)
    # 80 % hit at f/4.5; P(|z| <= a) of a normal miss whose reach grows with the f-number
    reach = 1.2815516 * made.setting.f_number / 4.5  # Phi^-1(0.9), from tables
    assert made.predicted.focused_rate == pytest.approx(math.erf(reach / math.sqrt(2)), abs=1e-6)
    assert made.predicted.sharp_rate == pytest.approx(made.predicted.keep_rate * made.predicted.focused_rate)  # type: ignore[operator]
    assert "focused well enough" in made.text()
    assert made.basis["focus"].basis == "measured run"
    stricter = plan([*kit_limits, focus_limit(4.5)], kit_camera, keep=0.95, **asked)
    assert stricter.setting.f_number > made.setting.f_number
    unmet = plan([*kit_limits, focus_limit(8.0, flags=("criterion-not-met",))], kit_camera, **asked)
    assert unmet.bounds.f_focus == 0.0
    other = plan([*kit_limits, focus_limit(4.5)], kit_camera, **{**asked, "focal_mm": 85.0})
    assert other.inputs.focus is None


def test_focusing_of_a_run_is_read_with_its_interval() -> None:
    section = {
        "focusing": {
            "sigma": 30.0, "sigma_ci": [22.0, 44.0], "unit": "um",
            "f_numbers": [{"f_number": 2.0, "allowed": 25.0}, {"f_number": 4.0, "allowed": 55.0}],
        }
    }  # fmt: skip
    found = focusing_of(section, None)
    assert found is not None
    assert found.sigma_mm() == pytest.approx(0.030)
    assert found.keep_rate(2.0) == pytest.approx(math.erf(25 / 30 / math.sqrt(2)))
    assert found.keep_rate(2.828427) == pytest.approx(math.erf(math.sqrt(25 * 55) / 30 / math.sqrt(2)), abs=1e-6)
    low, high = found.interval(4.0) or (0, 0)
    assert (low, high) == pytest.approx((math.erf(55 / 44 / math.sqrt(2)), math.erf(55 / 22 / math.sqrt(2))))
    assert found.keep_rate(found.lowest_f_number(0.9)) == pytest.approx(0.9, abs=1e-6)
    for broken in (
        {},
        {"focusing": None},
        {"focusing": {"sigma": -1}},
        {"focusing": {**section["focusing"], "f_numbers": []}},
    ):
        assert focusing_of(broken, None) is None
    assert Focusing.from_limit(4.0, 0.8).keep_rate(4.0) == pytest.approx(0.8)


def test_a_lens_that_was_never_measured(kit_limits: list[AcceptedLimit], kit_camera: CameraFacts) -> None:
    with pytest.raises(UsageError) as caught:
        plan(kit_limits, kit_camera, lens="Invented 85 mm")
    assert "this lens was not measured" in caught.value.message()
    assert "Invented 50 mm" in caught.value.message()
    made = plan(kit_limits, kit_camera, lens="other")
    assert made.basis["sharpness"].basis == "common practice"
    assert plan((), lens="Invented 85 mm").basis["sharpness"].basis == "common practice"  # nothing to mix it up with


def test_flash_and_light_nobody_has() -> None:
    for text in ("flash", "Flash 1/4"):
        with pytest.raises(UsageError, match="flash is not planned"):
            parse_light(text)
    with pytest.raises(KitgaugeError, match="light that no scene has"):
        parse_light("ev40")
