"""The grid of plans, the entries of automatic ISO, and each choice explained."""

from __future__ import annotations

import json
import math
import re
import time
from dataclasses import replace

import pytest

from kitgauge.limits.entries import AcceptedLimit
from kitgauge.planner.auto_iso import auto_iso
from kitgauge.planner.plan import make_plan
from kitgauge.planner.request import CameraFacts, PlanRequest
from kitgauge.planner.table import EVERYDAY_LIGHT, plan_table
from kitgauge.planner.why import why


def test_every_cell_of_the_grid_is_the_plan_of_its_light_and_subject(
    kit_limits: list[AcceptedLimit], kit_camera: CameraFacts
) -> None:
    request = PlanRequest(focal_mm=50, technique="standing", distance_m=3)
    started = time.process_time()
    table = plan_table(kit_limits, kit_camera, None, request)
    assert time.process_time() - started < 1.0  # what is asked of the command
    assert [row[0].ev100 for row in table.rows] == sorted((ev for ev, _ in EVERYDAY_LIGHT), reverse=True)
    for row in table.rows:
        for cell in row:
            single = make_plan(
                PlanRequest(ev100=cell.ev100, subject=cell.subject, focal_mm=50, technique="standing", distance_m=3),
                kit_limits,
                kit_camera,
            )
            assert cell.plan.setting == single.setting
            assert (cell.short_stops > 0) == single.choice.short
    values = json.loads(json.dumps(table.as_dict(), allow_nan=False))
    assert len(values["cells"]) == len(table.lights) * len(table.subjects)
    text = table.text()
    assert "full sun" in text and "measured run" in text
    assert max(map(len, text.splitlines()[:14])) < 130
    assert re.search(r"\(-\d\.\d\)", text)


def test_three_entries_of_automatic_iso(kit_limits: list[AcceptedLimit], kit_camera: CameraFacts) -> None:
    found = auto_iso(PlanRequest(technique="standing", subject="0", focal_mm=50), kit_limits, kit_camera)
    assert found.as_dict()["iso_max"] == 4000  # the limit is 4500; the highest third of a stop below it
    (entry,) = found.shutters
    # the limit is 0.02 s: on the dial 1/50 s, exactly 2^(-17/3)
    assert entry.shutter_s == pytest.approx(2 ** (-17 / 3))
    assert entry.multiple == pytest.approx(1 / (0.02 * 50))  # of the limit itself
    assert entry.menu_stops == 0
    assert entry.binds == "your hands"
    # past it: Rayleigh streaks, P = 1 - 0.2^((0.02/t)^2)
    for stops, keep in entry.past:
        assert keep == pytest.approx(1 - 0.2 ** ((0.02 / (entry.shutter_s * 2**stops)) ** 2))
    text = found.text()
    assert [line[:2] for line in text.splitlines() if line[:2] in ("1.", "2.", "3.")] == ["1.", "2.", "3."]
    assert "1/50 s" in text and "handheld-1" in text


def test_automatic_iso_for_a_moving_subject_and_another_focal_length(
    kit_limits: list[AcceptedLimit], kit_camera: CameraFacts
) -> None:
    (moving,) = auto_iso(PlanRequest(subject="moving", focal_mm=50), kit_limits, kit_camera).shutters
    assert moving.shutter_s == pytest.approx(1 / 256)
    assert moving.binds == "the subject"
    assert moving.menu_stops == math.ceil(math.log2(256 / 50) - 0.2)
    (tele,) = auto_iso(PlanRequest(subject="0", focal_mm=200, technique="standing"), kit_limits, kit_camera).shutters
    assert tele.shutter_s <= 0.02 / 4 * (1 + 1e-6)
    assert tele.because.basis == "scaled"
    unknown = auto_iso()
    assert len(unknown.shutters) > 3
    assert unknown.as_dict()["iso_max"] == 3200
    assert "not known" in unknown.text()
    json.dumps(unknown.as_dict(), allow_nan=False)


@pytest.mark.parametrize("ev", [-12.0, 0.0, 3.0, 8.0, 12.0, 16.0, 22.0])
@pytest.mark.parametrize("technique", ["standing", "tripod"])
@pytest.mark.parametrize("far", [2.0, 2.3, 60.0])
def test_each_choice_is_explained_in_two_plain_sentences(
    kit_limits: list[AcceptedLimit], kit_camera: CameraFacts, ev: float, technique: str, far: float
) -> None:
    made = make_plan(
        PlanRequest(ev100=ev, focal_mm=50, near_m=2.0, far_m=far, technique=technique, subject="0"),
        kit_limits,
        kit_camera,
    )
    said = why(made)
    assert {"shutter_s", "f_number", "iso", "focus"} <= set(said)
    for name, text in said.items():
        assert len(re.findall(r"\.(?: |$)", text)) == 2, (name, text)
        assert not re.search(r"MTF|SNR|EV|stops|circle of confusion|nan|None", text), text
    # each names the setting that was chosen
    assert made.text().split(",")[0].strip() in said["shutter_s"] or made.choice.depth_shortfall_stops > 0
    assert said["shutter_s"] in " ".join(made.explained().split())
    assert json.loads(json.dumps(made.as_dict(), allow_nan=False))["why"] == said


def test_the_f_number_is_called_the_widest_only_where_it_is(
    kit_limits: list[AcceptedLimit], kit_camera: CameraFacts
) -> None:
    """A range that begins between two dial values, as measured ones do, is no end of the lens."""
    between = [
        replace(accepted, limit=replace(accepted.limit, value={"f_number_low": 3.1, "f_number_high": 9.0}))
        if accepted.limit.kind == "f_number"
        else accepted
        for accepted in kit_limits
    ]
    request = PlanRequest(light="ev9", focal_mm=50.0, distance_m=3.0)
    inside = why(make_plan(request, between, kit_camera))["f_number"]
    assert "lowest at which the lens draws crisply" in inside
    slow_lens = replace(kit_camera, f_min=4.0)
    assert "f/4 is the widest this lens opens" in why(make_plan(request, between, slow_lens))["f_number"]
