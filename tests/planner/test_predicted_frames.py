"""What a plan promises against frames shot at its settings: simulated, measured from their files, counted."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from small_kits import shots_of, small_kit

from kitgauge import runner
from kitgauge.exposure import MIDGREY_FRACTION_OF_SATURATION
from kitgauge.limits.commands import accept_run
from kitgauge.limits.criteria import Criteria
from kitgauge.planner.command import plan_from_results
from kitgauge.planner.plan import Plan
from kitgauge.simulate.model import SimulatedKit
from kitgauge.simulate.shooting import plan_frames, shoot_protocol, take_frame

pytestmark = pytest.mark.statistical

KIT = small_kit(iso_range=(100.0, 800.0))
PIXELS = KIT.shape[0] * KIT.shape[1]
OUTPUT_MP = PIXELS / 4e6  # a picture of a quarter of the sensor's pixels: means of 2 x 2 samples of one colour
FRAMES = 36


def measured(kit: SimulatedKit, shots: list[Any], protocol: str, folder: Path, seed: int) -> dict[str, Any]:
    for number, role in enumerate(dict.fromkeys(shot.role for shot in shots)):  # a subfolder named after a role decides
        own = [shot for shot in shots if shot.role == role]
        shoot_protocol(kit, own, folder / "frames" / role, seed=100 * seed + number, workers=1)
    criteria = Criteria(output_mp=OUTPUT_MP)
    done = runner.run(protocol, folder / "frames", out=folder / "run", technique="standing", criteria=criteria,
                      workers=1, report=False)  # fmt: skip
    return dict(json.loads((done.folder / "curves.json").read_text()))


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Accepted limits of the small kit: noise, and hands from ten frames per speed."""
    root = tmp_path_factory.mktemp("planned")
    for protocol, shots in (
        ("noise-ladder", shots_of("noise-ladder", KIT, iso_max=800.0)),
        ("handheld-shutter", shots_of("handheld-shutter", KIT, 6)),
    ):
        measured(KIT, shots, protocol, root / protocol, seed=8)
        accept_run(root / protocol / "run", root / "results", None, replace=False)
    return root / "results"


def planned(results: Path, **asked: Any) -> Plan:
    return plan_from_results(results, subject="0", technique="standing", output_mp=OUTPUT_MP, **asked)


def test_share_of_sharp_frames_at_the_planned_settings(results: Path, tmp_path: Path) -> None:
    keep, seed = 0.5, 21
    plan = planned(results, light="ev7", keep=keep)
    setting, limit_px = plan.setting, math.hypot(*KIT.shape) / 1500
    ladder = shots_of("handheld-shutter", KIT)
    tripod = [shot for shot in ladder if shot.role == "tripod"]
    hand = next(shot for shot in ladder if shot.role == "handheld")
    shots = [*tripod, replace(hand, step="planned", shutter_s=setting.shutter_s, frames=FRAMES)]
    curves = measured(KIT, shots, "handheld-shutter", tmp_path, seed)
    rows = [row for row in curves["blur"]["frames"] if row["role"] == "handheld"]
    assert len(rows) == FRAMES
    sharp = [row["censored"] == "below" or (row["streak_px"] or math.inf) <= limit_px for row in rows]
    predicted, interval = plan.predicted.keep_rate, plan.predicted.keep_rate_interval
    assert predicted is not None and interval is not None
    assert predicted >= keep * (1 - 1e-6)
    error = math.hypot(math.sqrt(predicted * (1 - predicted) / FRAMES), (interval[1] - interval[0]) / 3.92)
    assert abs(np.mean(sharp) - predicted) < 2.6 * error


@pytest.mark.parametrize("margin", [0.0, 1.0])
def test_snr_of_mid_grey_at_the_planned_settings(results: Path, margin: float) -> None:
    plan = planned(results, light="ev6", highlight_margin_stops=margin)
    setting, predicted = plan.setting, plan.predicted.snr
    assert predicted is not None
    # mid-grey of the scene, where these settings put it (ISO 12232: 10/78 of saturation when metered, from memory)
    level = MIDGREY_FRACTION_OF_SATURATION * 2 ** (setting.error_stops - margin)
    flat = next(shot for shot in shots_of("noise-ladder", KIT) if shot.role == "flat")
    frames = plan_frames(KIT, [replace(flat, iso=setting.iso, frames=2)], seed=31)
    # one green plane in the middle, where the lens does not darken
    row, column = next((r, c) for r in (0, 1) for c in (0, 1) if KIT.sensor.pattern[r][c].startswith("G"))
    black = KIT.sensor.black_dn[row][column]
    planes = [
        take_frame(KIT, replace(frame, level=level, iso=setting.iso))[row::2, column::2][60:180, 120:240] - float(black)
        for frame in frames
    ]
    pictures = [(p[::2, ::2] + p[1::2, ::2] + p[::2, 1::2] + p[1::2, 1::2]) / 4 for p in planes]
    mean = np.mean(pictures)
    assert mean / (KIT.sensor.white_dn - black) == pytest.approx(level, rel=0.1)
    noise = np.std(pictures[0] - pictures[1]) / math.sqrt(2)
    count = pictures[0].size
    assert mean / noise == pytest.approx(predicted, rel=3 / math.sqrt(2 * count) + 0.04)
    if margin:  # taking the SNR of a metered mid-grey at this ISO would promise too much
        metered, _, _ = plan.inputs.noise.snr(setting.iso)
        assert metered > mean / noise * 1.2
