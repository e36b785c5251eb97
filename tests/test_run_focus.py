"""Runs that are about focusing: frames focused one by one, and frames through the focus."""

from __future__ import annotations

import json
import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from focus_edges import PITCH_UM, SHAPE, lens_mtf50, square
from small_kits import shots_of, small_kit

from kitgauge import runner
from kitgauge.exposure import nominal_f_number
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.record import FrameRecord
from kitgauge.limits.criteria import Criteria
from kitgauge.protocol.loading import load_protocol
from kitgauge.report.data import load_run
from kitgauge.report.focus_tables import bracket_table, focusing_table
from kitgauge.report.letter import limit_texts
from kitgauge.report.sharpness_text import sharpness_letter
from kitgauge.runs.context import Kit, RunContext
from kitgauge.runs.sharpness import conclude
from kitgauge.simulate.lens import Lens
from kitgauge.simulate.shooting import plan_frames, shoot_protocol


def refocused_run(tmp_path: Path, protocol: str, sigma_um: float = 25.0):
    rng = np.random.default_rng(1)
    records, results = [], {}
    for f_number in (1.8, 2.8, 4.0, 5.6):
        for mtf50 in lens_mtf50(f_number, rng.normal(0.0, sigma_um, 6)):
            file = f"E{len(records):02d}.dng"
            records.append(FrameRecord(file, tmp_path / file, f_number=f_number).used("edge", f"f/{f_number:g}"))
            edges = [edge.as_dict() for edge in square(1500, 1000, mtf50, 0.004, rng)]
            results[file] = {"shape": list(SHAPE), "flags": [], "edges": edges, "unusable": []}
    kit = Kit("kit", "body", None, "a 50 mm lens", 50.0, None, PITCH_UM, "given", False)
    context = RunContext(
        protocol=load_protocol(protocol).protocol, records=tuple(records), kit=kit, criteria=Criteria(),
        technique=None, cache=MeasurementCache(None), executor=ThreadPoolExecutor(1), workers=1,
        tell=lambda *_: None, expect=lambda *_: None,
    )  # fmt: skip
    return conclude(context, results)


def test_frames_focused_one_by_one_give_the_lens_and_a_limit_of_focusing(tmp_path) -> None:
    section = refocused_run(tmp_path, "aperture-sweep-refocused")
    sharpness = section.curves["sharpness"]
    assert sharpness["focusing"]["unit"] == "um"
    low, high = sharpness["focusing"]["sigma_ci"]
    assert low < 25.0 < high
    assert sharpness["focusing"]["f_numbers"][0]["frames"][0]["file"] == "E00.dng"
    true = float(lens_mtf50(1.8, 0.0)[0])
    for point in (p for p in sharpness["points"] if p["f_number"] == 1.8):
        assert abs(point["mtf50_cy_per_px"] - true) < 3 * point["mtf50_cy_per_px_stderr"]
    (limit,) = [item for item in section.limits if item.kind == "focus"]
    assert "frames at f/1.8 loses a third of its sharpness" in limit.text
    # soft frames are what was asked for: no frame is to be shot again
    assert not any("shoot it again" in note for note in section.notes)
    assert all(record.flags == () for record in section.records)


def test_the_same_frames_of_one_focus_are_called_soft(tmp_path) -> None:
    section = refocused_run(tmp_path, "aperture-sweep")
    assert section.curves["sharpness"]["focusing"] is None
    assert any("shoot it again" in note for note in section.notes)
    true = float(lens_mtf50(1.8, 0.0)[0])
    points = [p for p in section.curves["sharpness"]["points"] if p["f_number"] == 1.8]
    assert all(point["mtf50_cy_per_px"] < 0.97 * true for point in points), "their mean is no lens"


def test_only_the_shots_that_ask_for_it_are_out_of_focus() -> None:
    kit = small_kit(focus_error_um=30.0, focus_step_um=8.0, focus_start_um=4.0)
    still = plan_frames(kit, shots_of("aperture-sweep", kit, 2), seed=1)
    assert all(frame.sensor_um == 0.0 for frame in still)
    anew = plan_frames(kit, shots_of("aperture-sweep-refocused", kit), seed=1)
    assert np.std([frame.sensor_um for frame in anew]) == pytest.approx(30.0, rel=0.4)
    stepped = plan_frames(kit, shots_of("focus-bracket", kit), seed=1)[:13]
    assert [frame.sensor_um for frame in stepped] == pytest.approx([8.0 * (k - 6) + 4.0 for k in range(13)])


@pytest.fixture(scope="module")
def bracket(tmp_path_factory):
    """A bracket through DNG files and the runner: curved field, at one f-number."""
    folder = tmp_path_factory.mktemp("bracket")
    lens = replace(Lens(), field_curvature_um=120.0)
    kit = small_kit(lens=lens, pitch_um=4.0, focus_step_um=22.0, focus_start_um=20.0)
    (shot, *_) = shots_of("focus-bracket", kit)
    shoot_protocol(kit, [replace(shot, frames=9)], folder / "frames", seed=2)
    return kit, runner.run("focus-bracket", folder / "frames", out=folder / "run", use_cache=False, workers=2)


def test_a_bracket_finds_the_field_through_the_public_path(bracket) -> None:
    kit, run = bracket
    assert run.status == "complete" and run.limits == ()
    peaks = [
        p for p in run.curves["sharpness"]["bracket"]["peaks"] if (p["channel"], p["orientation"]) == ("G", "both")
    ]
    assert {p["region"] for p in peaks} == {"left", "centre", "right"}
    for peak in peaks:
        x, y = 2 * peak["x_norm"] - 1, 2 * peak["y_norm"] - 1
        # the sensor starts 4 steps before its middle place, 20 um on
        true = 4.0 + (120.0 * (x * x + y * y) / 2.0 - 20.0) / 22.0
        assert peak["best_step"] == pytest.approx(true, abs=0.06)
        if peak["region"] == "centre":
            sharp = kit.lens.mtf50_cy_per_px(kit.lens.widest_f_number, 4.0, angle_deg=5.0)
            assert peak["mtf50_cy_per_px"] == pytest.approx(sharp, rel=0.015)
    (step,) = run.curves["sharpness"]["bracket"]["steps"]
    assert step["step_um"] == pytest.approx(22.0, rel=0.02)


def test_a_bracket_has_its_report(bracket) -> None:
    _, run = bracket
    data = load_run(run.folder)
    table = bracket_table(data.part("sharpness"))
    assert table is not None and "centre" in {row[1] for row in table.rows}
    page = (run.folder / "report.html").read_text(encoding="utf-8")
    assert "Where everything is sharpest" in page and "gives no limit" not in page
    assert sharpness_letter(data.part("sharpness")) is not None


def test_focusing_has_its_table_and_its_letter(tmp_path) -> None:
    section = refocused_run(tmp_path, "aperture-sweep-refocused")
    table = focusing_table(json.loads(json.dumps(section.curves["sharpness"], default=str)))
    assert [row[0] for row in table.rows] == ["f/1.8", "f/2.8", "f/4", "f/5.6"]
    assert "standard deviation" in table.note and "µm in image space" in table.note
    (limit,) = [item for item in section.limits if item.kind == "focus"]

    class Data:
        limits = (limit.as_dict(),)

        def part(self, _name):
            return {}

    (said,) = limit_texts(Data())
    assert said.heading.startswith("Focusing, centre: f/")
    assert "focus again for each" in said.advice or "trust your focusing" in said.advice
    assert math.isfinite(limit.value["f_number"]) and nominal_f_number(limit.value["f_number"]) > 0
