"""Measured subjects in a plan: carried by their speed in mm/s, by arithmetic done by hand; errors list the known."""

import math
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from kitgauge.errors import UsageError
from kitgauge.limits.entries import AcceptedLimit, entry_as_dict, entry_from_dict
from kitgauge.limits.model import Limit
from kitgauge.limits.store import accept, read_limits
from kitgauge.planner.plan import make_plan
from kitgauge.planner.request import CameraFacts, PlanRequest

# 1/200 s freezes the head to 2 px of 5 um, at 50 mm and 2.05 m: a magnification of 50 / 2000, 5 um are 0.2 mm there
CAMERA = CameraFacts(sensor_pixels=24e6, pixel_pitch_um=5.0, frame_width_mm=30.0, frame_height_mm=20.0)
HEAD = Limit(
    kind="shutter",
    value={"shutter_s": 1 / 200},
    dial={"shutter_s": 1 / 200},
    ci_low=math.nan,
    ci_high=math.nan,
    criterion={"streak_px": 2.0, "keep": 0.8},
    text="",
    stderr_stops=0.2,
    focal_mm=50.0,
    extra={
        "role": "subject", "subject": "nodding head", "distribution": "rayleigh", "shape": 1.0, "slope": 1.0,
        "speed_mm_per_s": 80.0, "mm_per_px": 0.2, "distance_m": 2.05,
    },
)  # fmt: skip


def accepted(limit=HEAD, run="subject-1", day=1):
    return AcceptedLimit(limit, "body", run, datetime(2026, 5, day, tzinfo=UTC))


def planned(limits=(), **asked):
    request = {"light": "ev12", "technique": "tripod", "subject": "Nodding Head", **asked}
    return make_plan(PlanRequest(**request), limits or [accepted()], CAMERA)


def cap(plan):
    return plan.inputs.motion.subject_cap_s


def test_as_measured():
    plan = planned(focal_mm=50.0, distance_m=2.05)
    assert cap(plan) == pytest.approx(1 / 200)
    assert plan.basis["subject"].basis == "measured run"
    assert "80 mm/s" in plan.basis["subject"].text
    assert plan.as_dict()["basis_run"]["subject"] == "subject-1"


def test_carried_to_another_distance_and_focal_length_by_its_speed():
    # magnification 100 / 2000 instead of 50 / 2000: twice as fast in the frame
    assert cap(planned(focal_mm=100.0, distance_m=2.1)) == pytest.approx(1 / 400)
    far = planned(focal_mm=50.0, distance_m=4.05)
    assert cap(far) == pytest.approx(1 / 100)
    assert far.basis["subject"].basis == "scaled"
    assert "4.05 m" in far.basis["subject"].text
    # a head that nods to and fro: streaks grow by the power 0.5 only, so twice the magnification costs a factor of 4
    slow = replace(HEAD, extra={**HEAD.extra, "slope": 0.5})
    assert cap(planned([accepted(slow)], focal_mm=100.0, distance_m=2.1)) == pytest.approx(1 / 800)


def test_other_keep_rates_follow_the_measured_spread():
    plan = planned(focal_mm=50.0, distance_m=2.05, keep=0.5)
    # Rayleigh: streak at 80 % over that at 50 %
    wider = math.sqrt(math.log(0.2) / math.log(0.5))
    assert cap(plan) == pytest.approx(wider / 200)


def test_without_a_distance_it_is_where_it_was_measured():
    plan = planned(focal_mm=50.0)
    assert cap(plan) == pytest.approx(1 / 200)
    assert "no distance was given" in plan.basis["subject"].text


def test_speed_in_pixels_only_holds_at_the_distance_of_its_measurement():
    px_only = replace(HEAD, extra={"role": "subject", "subject": "nodding head"})
    plan = planned([accepted(px_only)], focal_mm=100.0, distance_m=7.0)
    assert cap(plan) == pytest.approx(1 / 400)  # by angle
    assert "was not measured" in plan.basis["subject"].text
    # one known in mm/s is taken before one that is not
    both = [accepted(px_only, "old", 3), accepted(replace(HEAD, focal_mm=85.0), "new", 2)]
    assert planned(both, focal_mm=100.0, distance_m=2.1).as_dict()["basis_run"]["subject"] == "new"


def test_hands_and_subject_share_one_streak_limit():
    """Handheld with limits of 4 px: the subject may smear twice as far as its own limit of 2 px."""
    hands = Limit("shutter", {"shutter_s": 1 / 60}, {}, math.nan, math.nan, {"streak_px": 4.0, "keep": 0.8}, "",
                  focal_mm=50.0, technique="standing")  # fmt: skip
    plan = planned([accepted(), accepted(hands, "hands-1")], technique="standing", focal_mm=50.0, distance_m=2.05)
    assert cap(plan) == pytest.approx(1 / 100)
    assert 0.8 <= plan.predicted.keep_rate <= 1.0


def test_unknown_names_list_the_known():
    other = replace(HEAD, extra={**HEAD.extra, "subject": "walker"})
    with pytest.raises(UsageError, match="unknown subject") as told:
        planned([accepted(), accepted(other, "subject-2")], subject="noding head")
    assert "nodding head, walker" in told.value.message()


@pytest.mark.parametrize("broken", ["fast", -1.0, True, None, [1], math.inf])
@pytest.mark.parametrize("key", ["mm_per_px", "slope", "shape", "distance_m", "distribution", "subject"])
def test_odd_values_by_hand_never_break_a_plan(key, broken):
    odd = replace(HEAD, extra={**HEAD.extra, key: broken})
    try:
        plan = planned([accepted(odd)], focal_mm=50.0, distance_m=2.05)
    except UsageError as error:
        assert key == "subject"
        assert "unknown subject" in error.what
    else:
        assert 0 < cap(plan) < 1


def test_subjects_are_limits_of_their_own_in_the_file(tmp_path):
    walker = replace(HEAD, extra={**HEAD.extra, "subject": "walker"})
    hands = replace(HEAD, extra={})
    accept(tmp_path / "limits.toml", "r", [HEAD, walker, hands], body="body")
    kept = read_limits(tmp_path / "limits.toml").limits
    assert [item.limit.extra.get("subject") for item in kept] == ["nodding head", "walker", None]
    assert "subject nodding head" in kept[0].describe()
    assert entry_from_dict(entry_as_dict(kept[0]), "x").limit.extra == HEAD.extra
