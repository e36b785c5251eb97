"""Whole plans: common practice, measured limits, what binds, the contract, and requests that cannot be."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import settings as settings_of_hypothesis
from hypothesis import strategies as st

from kitgauge.errors import KitgaugeError, PlanError, UsageError
from kitgauge.limits.entries import AcceptedLimit
from kitgauge.planner.plan import make_plan
from kitgauge.planner.request import CameraFacts, PlanRequest


def settings(plan: object) -> dict[str, float]:
    return dict(plan.as_dict()["settings"])  # type: ignore[attr-defined]


# Common practice in the trade, no source (published/facts.md): 1/60 s for a still person, 1/250 s for a
# moving one,
# about 1/1000 s for birds in flight; handheld 1/(focal length in 35 mm terms)


@pytest.mark.parametrize(("subject", "shutter_s"), [("still", 1 / 60), ("moving", 1 / 250), ("fast", 1 / 1000)])
def test_subject_by_common_practice(subject: str, shutter_s: float) -> None:
    plan = make_plan(PlanRequest(light="ev10", focal_mm=35, subject=subject))
    assert settings(plan)["shutter_s"] == pytest.approx(shutter_s)
    assert plan.as_dict()["basis"]["subject"] == "common practice"
    assert plan.binds_stops["subject"] > 0
    assert plan.binds_stops["hands"] == 0


@pytest.mark.parametrize(
    ("focal_mm", "frame_mm", "shutter_s"),
    [(200, (36, 24), 1 / 200), (100, (36, 24), 1 / 100), (200, (18, 12), 1 / 400), (85, (36, 24), 1 / 100)],
)
def test_unmeasured_hands_get_one_over_the_focal_length_in_35_mm_terms(
    focal_mm: float, frame_mm: tuple[float, float], shutter_s: float
) -> None:
    camera = CameraFacts(frame_width_mm=frame_mm[0], frame_height_mm=frame_mm[1])
    plan = make_plan(PlanRequest(light="ev8", focal_mm=focal_mm, subject="0"), (), camera)
    # a subject speed of 0 does not need a distance; 1/85 s is on no dial, the next faster is 1/100
    assert settings(plan)["shutter_s"] == pytest.approx(shutter_s)
    assert plan.binds == "hands"
    assert plan.as_dict()["basis"]["hands"] == "common practice"
    assert plan.predicted.keep_rate is None


def test_without_any_limit_every_input_is_marked_common_practice_and_says_what_to_measure() -> None:
    values = make_plan(PlanRequest(light="ev9.5", near_m=2, far_m=2.2)).as_dict()
    assert set(values["basis"].values()) == {"common practice"}
    assert set(values["basis"]) >= {"hands", "subject", "depth", "sharpness", "noise"}
    assert values["predicted"]["keep_rate"] is None
    assert values["predicted"]["snr"] is None
    assert values["predicted"]["mtf50_cy_per_px"] is None
    assert len(values["measure_next"]) == 3


def test_a_still_person_indoors_a_walker_and_birds_in_flight() -> None:
    indoors = make_plan(PlanRequest(light="ev6", focal_mm=50, distance_m=2, subject="still"))
    assert settings(indoors) == pytest.approx({"shutter_s": 1 / 60, "f_number": 4, "iso": 1600})
    # EV 6: N^2/t = 16 x 64 = 2^10, so S = 100 x 2^(10-6)
    assert indoors.shortfall_stops == 0
    walker = make_plan(PlanRequest(light="ev12", focal_mm=50, distance_m=5, subject="moving"))
    assert settings(walker) == pytest.approx({"shutter_s": 1 / 250, "f_number": 4, "iso": 100})
    birds = make_plan(PlanRequest(light="ev13", focal_mm=400, distance_m=30, subject="fast"))
    assert settings(birds) == pytest.approx({"shutter_s": 1 / 1000, "f_number": 4, "iso": 200})


def test_measured_limits_decide_where_there_are_some(kit_limits: list[AcceptedLimit], kit_camera: CameraFacts) -> None:
    request = PlanRequest(light="ev7", focal_mm=50, distance_m=2, subject="0", technique="standing")
    plan = make_plan(request, kit_limits, kit_camera)
    # the limit is 0.02 s; the slowest third of a stop at or under it is 2^(-17/3) s = 0.0197 s, marked 1/50
    assert settings(plan)["shutter_s"] == pytest.approx(1 / 50)
    assert settings(plan)["f_number"] == 2.8
    basis = plan.as_dict()["basis"]
    assert (basis["hands"], basis["sharpness"], basis["noise"]) == ("measured run",) * 3
    assert plan.as_dict()["basis_run"]["hands"] == "handheld-1"
    assert plan.predicted.keep_rate == pytest.approx(1 - 0.2 ** ((0.02 * 2 ** (17 / 3)) ** 2), abs=1e-9)
    # photon noise alone: SNR 10 at ISO 4500 falls with the root of the ISO
    exact_iso = 100 * 2 ** (round(3 * math.log2(plan.setting.iso / 100)) / 3)
    assert plan.predicted.snr == pytest.approx(10 * math.sqrt(4500 / exact_iso))


def test_another_focal_length_is_scaled_by_angle_and_marked(
    kit_limits: list[AcceptedLimit], kit_camera: CameraFacts
) -> None:
    request = PlanRequest(light="ev10", focal_mm=200, distance_m=5, subject="0", technique="standing")
    plan = make_plan(request, kit_limits, kit_camera)
    assert plan.as_dict()["basis"]["hands"] == "scaled"
    assert plan.inputs.motion.hands_cap_s == pytest.approx(0.02 / 4)
    assert plan.as_dict()["basis"]["sharpness"] == "common practice"  # no lens of 200 mm was measured
    assert any("handheld-shutter" in text for text in plan.measure_next)


def test_technique_decides_and_without_one_the_careful_one_counts(
    kit_limits: list[AcceptedLimit], kit_camera: CameraFacts
) -> None:
    def cap(technique: str | None) -> float:
        request = PlanRequest(light="ev7", focal_mm=50, subject="0", technique=technique)
        return make_plan(request, kit_limits, kit_camera).inputs.motion.hands_cap_s

    assert cap("standing") == pytest.approx(0.02)
    assert cap("Seated") == pytest.approx(0.05)
    assert cap(None) == pytest.approx(0.02)
    assert cap("tripod") == math.inf


def test_a_measured_speed_reaches_the_sensor_through_the_magnification(kit_camera: CameraFacts) -> None:
    # 1000 mm/s at 5.05 m with 50 mm: magnification 50/5000 = 1/100, so 10 mm/s on the sensor; a streak of
    # 43.267/1500 = 0.02884 mm takes 2.88 ms
    request = PlanRequest(light="ev10", focal_mm=50, distance_m=5.05, subject=1000, technique="tripod")
    plan = make_plan(request, (), kit_camera)
    assert plan.inputs.motion.subject_cap_s == pytest.approx(0.002884, rel=1e-3)
    assert settings(plan)["shutter_s"] == pytest.approx(1 / 400)
    assert plan.binds == "subject"


def test_depth_binds_where_it_needs_the_higher_f_number() -> None:
    plan = make_plan(PlanRequest(light="ev14", focal_mm=50, near_m=1.5, far_m=3))
    assert plan.binds == "depth"
    assert plan.optics.focus_m == pytest.approx(2.0)  # harmonic mean of 1.5 and 3
    shallow = make_plan(PlanRequest(light="ev14", focal_mm=24, near_m=3, far_m=3.1))
    assert shallow.binds_stops["depth"] == 0
    assert shallow.binds_stops["sharpness"] > 0


def test_noise_binds_where_the_iso_limit_is_not_enough() -> None:
    plan = make_plan(PlanRequest(light="ev3", focal_mm=50, distance_m=2, subject="moving"))
    assert plan.binds == "noise"
    # 1/256 s at f/4: 2^12; S = 100 x 2^(12-3) = 51200, four stops above 3200
    assert plan.shortfall_stops == pytest.approx(4.0)


def test_alternatives_close_the_gap_and_name_their_price(
    kit_limits: list[AcceptedLimit], kit_camera: CameraFacts
) -> None:
    request = PlanRequest(light="ev2.7", focal_mm=50, near_m=1.9, far_m=2.2, subject="still", technique="standing")
    plan = make_plan(request, kit_limits, kit_camera)
    assert plan.shortfall_stops > 1
    ways = {way.kind: way for way in plan.alternatives}
    assert {"more-light", "wider-aperture", "slower-shutter", "higher-iso"} <= set(ways)
    for way in plan.alternatives:
        light = plan.light.ev100 + (plan.shortfall_stops if way.kind == "more-light" else 0)
        error = math.log2(way.setting.shutter_s * way.setting.iso / 100 / way.setting.f_number**2) + light
        assert abs(error) <= 1 / 6 + 1e-6
        assert way.setting.iso <= 4500 or way.kind in ("higher-iso", "mixed") or way.remaining_stops > 0
        assert any(sign.isdigit() for sign in way.price)
    assert ways["wider-aperture"].predicted.far_m < plan.predicted.far_m  # type: ignore[operator]
    assert ways["slower-shutter"].predicted.keep_rate < plan.predicted.keep_rate  # type: ignore[operator]
    assert ways["higher-iso"].predicted.snr < 10  # type: ignore[operator]
    remaining = [way.remaining_stops > 0 for way in plan.alternatives]
    assert remaining == sorted(remaining)


def test_a_burst_holds_one_keeper_with_the_confidence_asked(
    kit_limits: list[AcceptedLimit], kit_camera: CameraFacts
) -> None:
    request = PlanRequest(light="ev2.5", focal_mm=50, distance_m=2, subject="0", technique="standing", confidence=0.9)
    (burst,) = (way for way in make_plan(request, kit_limits, kit_camera).alternatives if "burst" in way.kind)
    keep = burst.predicted.keep_rate
    assert keep is not None
    # by the definition: the chance that all fail is (1 - p)^k
    assert (1 - keep) ** burst.frames <= 0.1
    assert (1 - keep) ** (burst.frames - 1) > 0.1


def test_support_helps_where_the_hands_bind(kit_limits: list[AcceptedLimit], kit_camera: CameraFacts) -> None:
    request = PlanRequest(light="ev2", focal_mm=50, distance_m=2, subject="0", technique="standing")
    plan = make_plan(request, kit_limits, kit_camera)
    best = plan.alternatives[0]
    assert best.kind == "support"
    assert best.remaining_stops == 0
    assert best.setting.shutter_s > plan.setting.shutter_s


def test_too_bright_says_by_how_much_and_offers_a_filter() -> None:
    camera = CameraFacts(f_max=8, shutter_fastest_s=1 / 1000)
    plan = make_plan(PlanRequest(light="ev18", focal_mm=50), (), camera)
    # EV 18 against f/8 and 1/1024 s at ISO 100: 6 + 10 = 16, two stops too bright
    assert plan.choice.overexposed_stops == pytest.approx(2.0)
    assert any("Overexposed by 2.0 stops" in text for text in plan.cautions)
    (way,) = (way for way in plan.alternatives if way.kind == "filter")
    filtered = make_plan(
        PlanRequest(light="ev18", focal_mm=50, nd_stops=way.price_numbers["filter_stops"] or 0), (), camera
    )
    assert filtered.choice.overexposed_stops == 0
    assert filtered.setting.f_number == pytest.approx(4)


def test_too_dark_says_by_how_much() -> None:
    plan = make_plan(PlanRequest(light="ev-14", focal_mm=50, technique="tripod", subject="0"))
    # widest f/2.8, 32 s, ISO 25600: 3 - 5 - 8 = EV -10
    assert plan.choice.underexposed_stops == pytest.approx(4.0)
    assert any("Underexposed by 4.0 stops" in text for text in plan.cautions)


def test_sun_gets_a_caution_and_shade_does_not() -> None:
    assert any("sun" in text for text in make_plan(PlanRequest(light="ev15")).cautions)
    assert not any("sun" in text for text in make_plan(PlanRequest(light="ev12")).cautions)
    assert any("public ways" in text for text in make_plan(PlanRequest(light="ev5", technique="tripod")).cautions)


def test_contract_of_the_json(kit_limits: list[AcceptedLimit], kit_camera: CameraFacts) -> None:
    request = PlanRequest(light="ev3", focal_mm=50, near_m=2, far_m=math.inf, technique="standing")
    values = make_plan(request, kit_limits, kit_camera).as_dict()
    again = json.loads(json.dumps(values, allow_nan=False))
    assert again == values
    assert set(values["settings"]) == {"shutter_s", "f_number", "iso"}
    assert {"exposure_error_stops", "binds", "shortfall_stops", "basis", "cautions"} <= set(values)
    predicted = {"keep_rate", "snr", "mtf50_cy_per_px", "near_m", "far_m", "intervals"}
    assert predicted <= set(values["predicted"])
    assert values["alternatives"]
    for way in values["alternatives"]:
        assert {"settings", "predicted", "price", "frames"} <= set(way)
        assert predicted <= set(way["predicted"])
    assert set(values["basis"].values()) <= {"measured run", "scaled", "common practice", "given"}
    assert set(values["reasons"]) == set(values["settings"])


def test_an_infinite_far_end_is_not_a_number_in_json() -> None:
    values = make_plan(PlanRequest(light="ev15", focal_mm=24, near_m=1.5, far_m=math.inf)).as_dict()["predicted"]
    assert values["far_m"] is None
    assert values["far_infinite"] is True


def test_letter_names_settings_reasons_and_sources(kit_limits: list[AcceptedLimit], kit_camera: CameraFacts) -> None:
    request = PlanRequest(light="ev3", focal_mm=50, near_m=2, far_m=2.5, technique="standing")
    text = make_plan(request, kit_limits, kit_camera).text()
    assert text.startswith("1/60 s, f/")
    for part in ("What binds", "Ways out", "handheld-1", "common practice", "Focus at 2.22 m"):
        assert part in text
    assert "nan" not in text
    assert "None" not in text


@pytest.mark.parametrize(
    ("changes", "error", "says"),
    [
        ({"light": None}, UsageError, "no light"),
        ({"light": "ev9", "ev100": 9.0}, UsageError, "twice"),
        ({"light": "ev60"}, PlanError, "no scene has"),
        ({"light": None, "ev100": math.nan}, PlanError, "no scene has"),
        ({"near_m": 5.0, "far_m": 2.0}, PlanError, "behind the far end"),
        ({"near_m": 5.0}, UsageError, "belong together"),
        ({"near_m": 1.0, "far_m": 2.0, "distance_m": 9.0}, PlanError, "contradict"),
        ({"distance_m": 0.03}, PlanError, "inside the focal length"),
        ({"distance_m": -1.0}, PlanError, "--distance"),
        ({"distance_m": math.nan}, PlanError, "--distance"),
        ({"distance_m": math.inf}, PlanError, "--distance"),
        ({"focal_mm": 0.0}, PlanError, "--focal"),
        ({"focal_mm": -50.0}, PlanError, "--focal"),
        ({"subject": "dog"}, UsageError, "unknown subject"),
        ({"subject": "-5"}, PlanError, "speed is impossible"),
        ({"subject": "nan"}, PlanError, "speed is impossible"),
        ({"subject": "900"}, UsageError, "needs its distance"),
        ({"technique": "juggling"}, UsageError, "seated, standing, tripod"),
        ({"keep": 1.0}, PlanError, "--keep"),
        ({"keep": 80.0}, PlanError, "--keep"),
        ({"output_mp": 0.0}, PlanError, "--output-mp"),
        ({"confidence": 1.5}, PlanError, "--confidence"),
        ({"nd_stops": -3.0}, PlanError, "--nd"),
    ],
)
def test_requests_that_cannot_be(
    kit_limits: list[AcceptedLimit], changes: dict[str, object], error: type[KitgaugeError], says: str
) -> None:
    request = replace(PlanRequest(light="ev9", focal_mm=50), **changes)  # type: ignore[arg-type]
    with pytest.raises(error) as caught:
        make_plan(request, kit_limits)
    assert says in caught.value.message()
    assert "fix:" in caught.value.message()


def test_limits_of_another_body(kit_limits: list[AcceptedLimit]) -> None:
    with pytest.raises(PlanError, match="another body"):
        make_plan(PlanRequest(light="ev9"), kit_limits, CameraFacts(body="Invented Two"))
    with pytest.raises(PlanError, match="another body"):
        make_plan(PlanRequest(light="ev9"), [*kit_limits, replace(kit_limits[0], body="Invented Two")])


@pytest.mark.parametrize(
    "facts",
    [
        {"iso_min": 800.0, "iso_max": 100.0},
        {"f_min": 8.0, "f_max": 4.0},
        {"pixel_pitch_um": -1.0},
        {"iso_max": math.nan},
    ],
)
def test_impossible_cameras(facts: dict[str, float]) -> None:
    with pytest.raises(PlanError):
        make_plan(PlanRequest(light="ev9"), (), CameraFacts(**facts))  # type: ignore[arg-type]


def test_a_measured_subject_is_known_by_its_label_and_never_taken_for_hands(
    kit_limits: list[AcceptedLimit], kit_camera: CameraFacts
) -> None:
    walker = replace(kit_limits[0].limit, value={"shutter_s": 0.005}, technique="walker", extra={"role": "subject"})
    limits = [*kit_limits, replace(kit_limits[0], limit=walker, run="subject-1")]
    plan = make_plan(PlanRequest(light="ev10", focal_mm=50, subject="Walker", technique="tripod"), limits, kit_camera)
    assert plan.inputs.motion.subject_cap_s == pytest.approx(0.005)
    assert plan.as_dict()["basis"]["subject"] == "measured run"
    assert plan.as_dict()["basis_run"]["subject"] == "subject-1"
    assert plan.setting.shutter_s <= 0.005
    assert plan.predicted.keep_rate == pytest.approx(1 - 0.2 ** ((0.005 / plan.setting.shutter_s) ** 2))
    handheld = make_plan(PlanRequest(light="ev10", focal_mm=50, subject="walker"), limits, kit_camera)
    assert handheld.inputs.technique == "standing"
    assert handheld.predicted.keep_rate is not None
    assert 0.8 <= handheld.predicted.keep_rate < 1
    with pytest.raises(UsageError, match="walker"):
        make_plan(PlanRequest(light="ev10", subject="runner"), limits, kit_camera)
    with pytest.raises(UsageError, match="not measured"):
        make_plan(PlanRequest(light="ev10", technique="walker"), limits, kit_camera)


ODD = st.one_of(st.none(), st.floats(allow_nan=True, allow_infinity=True), st.floats(0, 100), st.floats(0, 1))


@settings_of_hypothesis(deadline=None)
@given(
    changes=st.fixed_dictionaries(
        {},
        optional=dict.fromkeys(("focal_mm", "near_m", "far_m", "distance_m", "output_mp", "keep", "snr"), ODD)
        | {
            "subject": st.one_of(st.text(max_size=4), st.floats().map(str), st.sampled_from(["still", "fast"])),
            "technique": st.one_of(st.none(), st.text(max_size=4), st.sampled_from(["tripod", "standing"])),
        },
    ),
    ev100=st.floats(-20, 30),
    measured=st.booleans(),
)
def test_any_request_is_a_plan_or_a_plain_error(
    kit_limits: list[AcceptedLimit], changes: dict[str, object], ev100: float, measured: bool
) -> None:
    try:
        plan = make_plan(PlanRequest(ev100=ev100, **changes), kit_limits if measured else ())  # type: ignore[arg-type]
    except KitgaugeError as error:
        assert error.fix
    else:
        json.dumps(plan.as_dict(), allow_nan=False)
        assert "nan" not in plan.text()


def test_ways_that_leave_a_gap_come_last(kit_limits: list[AcceptedLimit], kit_camera: CameraFacts) -> None:
    request = PlanRequest(light="ev4", focal_mm=85, distance_m=2, technique="standing", keep=0.95)
    plan = make_plan(request, kit_limits, kit_camera)
    ways = [(way.kind, way.remaining_stops > 0) for way in plan.alternatives]
    assert ways[-1] == ("support", True)  # first of its kind where it closes the gap; here the subject still binds
    assert not any(partial for _, partial in ways[:-1])


def test_a_limit_for_the_asked_keep_rate_goes_before_one_carried_over(
    kit_limits: list[AcceptedLimit], kit_camera: CameraFacts
) -> None:
    strict = replace(kit_limits[0].limit, value={"shutter_s": 0.016}, criterion={"streak_px": 5.0, "keep": 0.95})
    limits = [*kit_limits, replace(kit_limits[0], limit=strict, run="handheld-3")]
    request = PlanRequest(light="ev7", focal_mm=50, subject="0", technique="standing", keep=0.95)
    plan = make_plan(request, limits, kit_camera)
    assert plan.as_dict()["basis_run"]["hands"] == "handheld-3"
    assert plan.as_dict()["basis"]["hands"] == "measured run"
    assert plan.inputs.motion.hands_cap_s == pytest.approx(0.016)
