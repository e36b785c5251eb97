"""What a camera adds to blur, through DNG files and the public functions: knock of the shutter, roll, stabiliser.

Truth: the simulated motion integrated over each exposure, and over many exposures for the limits.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from small_kits import small_kit

import kitgauge
from kitgauge.limits.compare_runs import compare_runs
from kitgauge.limits.criteria import Criteria
from kitgauge.protocol.loading import load_protocol
from kitgauge.protocol.shot_list import shot_list
from kitgauge.simulate.camera_motion import ShutterKnock, Stabiliser
from kitgauge.simulate.hands import Hands, still_motion, streak_of, streaks_px, true_shutter_limit_s
from kitgauge.simulate.model import SimulatedKit
from kitgauge.simulate.shooting import PlannedFrame, plan_frames, shoot_protocol

STREAK_PX = 1.6
PROTOCOL = """
schema = 1
id = "short-blur"
title = "Blur in few frames"
purpose = "Tests."
measures = "blur"
cautions = ["Do not put the tripod where people walk."]
[sweep]
setting = "shutter_s"
values = [{speeds}]
[[step]]
role = "tripod"
frames = {tripod}
[step.exposure]
f_number = 8
balanced_by = "iso"
[[step]]
role = "handheld"
frames = {handheld}
[step.exposure]
f_number = 8
balanced_by = "iso"
"""


def photographed(
    folder: Path, kit: SimulatedKit, speeds: str, tripod: int, handheld: int, seed: int, **options: Any
) -> tuple[Any, dict[str, PlannedFrame], dict[str, PlannedFrame]]:
    """Return the run, the planned frames by file, and the same frames by a camera without a knock."""
    folder.mkdir(exist_ok=True)
    (folder / "protocol.toml").write_text(PROTOCOL.format(speeds=speeds, tripod=tripod, handheld=handheld))
    shots = shot_list(load_protocol(folder / "protocol.toml").protocol, kit.camera_range).shots
    shoot_protocol(kit, shots, folder / "frames", seed=seed, workers=1)
    run = kitgauge.run(
        folder / "protocol.toml", folder / "frames", out=folder / "run", workers=1, use_cache=False,
        criteria=Criteria(streak_px=STREAK_PX), **options,
    )  # fmt: skip
    hands_only = replace(kit, shutter_knock=None)
    planned, alone = (plan_frames(camera, shots, seed=seed) for camera in (kit, hands_only))
    return run, {frame.file: frame for frame in planned}, {frame.file: frame for frame in alone}


@pytest.mark.parametrize(
    ("knock", "handheld"),
    [(ShutterKnock(1.3e-3, 12.0, 0.04, 90.0), 4), (ShutterKnock(1.2e-3, 8.0, 0.05, 10.0), 1)],
    ids=["12 Hz, down", "8 Hz, sideways"],
)
def test_knock_of_the_shutter_on_the_tripod_is_told_as_such(tmp_path: Path, knock: ShutterKnock, handheld: int) -> None:
    kit = small_kit(shutter_knock=knock, iso_range=(100.0, 25600.0))
    speeds = '"1/500", "1/125", "1/60", "1/30", "1/15", "1/8", "1/2"'
    run, planned, alone = photographed(tmp_path, kit, speeds, 2, handheld, 4)
    blur = run.curves["blur"]
    finding = next(item for item in blur["findings"] if item["kind"] == "shutter-shock")
    times = {frame.shutter_s for frame in planned.values()}
    true = {t: streaks_px(still_motion(knock), t, kit.lens.focal_mm, kit.pitch_um)[0] for t in times}
    worst = max(true, key=lambda time: true[time])
    against_px = math.sqrt(max(true.values()) ** 2 - min(true.values()) ** 2)
    assert 1 / 70 < worst < 1 / 7
    assert finding["size"] == pytest.approx(against_px, abs=0.08 + 0.02 * against_px)
    assert abs((finding["direction_deg"] - knock.direction_deg + 90.0) % 180.0 - 90.0) < 5.0
    assert finding["unit"] == "px"
    assert finding["z"] > 10.0
    assert finding["text"] in run.notes
    page = (run.folder / "report.html").read_text()
    assert "The shutter or the mirror shakes the camera" in page
    assert page.count("The shutter or the mirror shakes the camera") == 1
    named = {1.0 / round(1.0 / speed) for speed in finding["shutter_s"]}
    assert {1 / 60, 1 / 30, 1 / 15, 1 / 8} <= named
    rows = blur["frames"]
    assert all(row["censored"] == "below" for row in rows if row["role"] == "tripod")
    assert not any("tripod-unsteady" in row["flags"] for row in rows)
    if handheld < 2:
        return
    # the hands, not the hands and the knock
    scores, naive = [], []
    for row in rows:
        if row["role"] != "handheld" or row["motion_variance_px2"] is None:
            continue
        truth = alone[row["file"]].streak.streak_px ** 2 / 12.0
        scores.append((row["motion_variance_px2"] - truth) / row["motion_variance_px2_stderr"])
        naive.append((planned[row["file"]].streak.streak_px ** 2 / 12.0 - truth) / row["motion_variance_px2_stderr"])
    assert len(scores) > 20
    assert abs(float(np.mean(scores))) < 0.6
    assert float(np.std(scores)) < 1.6
    assert float(np.mean(naive)) > 1.5 * abs(float(np.mean(scores)))


def test_steady_tripod_has_no_such_finding(tmp_path: Path) -> None:
    run, _, _ = photographed(tmp_path, small_kit(), '"1/125", "1/30", "1/8"', 2, 1, 5)
    assert run.curves["blur"]["findings"] == []
    assert "shakes the camera" not in (run.folder / "report.html").read_text()


def test_roll_apart_from_pitch_and_yaw(tmp_path: Path) -> None:
    """Hands that turn the camera about the lens axis twice as much as about the others; three squares in a row, which
    show it in the height of their upper and lower edges."""
    kit = small_kit(hands=Hands(roll_share=2.0))
    run, planned, _ = photographed(tmp_path, kit, '"1/15", "1/8", "1/4"', 2, 4, 6)
    rows = [row for row in run.curves["blur"]["frames"] if row["role"] == "handheld"]
    told = 0
    for row in rows:
        true = planned[row["file"]].streak
        if row["censored"] is None:
            assert abs(row["streak_px"] - true.streak_px) < 0.2 + 0.04 * true.streak_px
        if row["roll_mrad"] is not None:
            told += 1
            assert abs(row["roll_mrad"] - true.roll_mrad) < max(4.0 * row["roll_mrad_stderr"], 0.05 * true.roll_mrad)
            # the corner is where the path that turns goes farthest
            corners = [
                streak_of(planned[row["file"]].path.at(x, y)).streak_px
                for x in (-359.5, 359.5)
                for y in (-239.5, 239.5)
            ]
            assert row["worst_px"] == pytest.approx(max(corners), rel=0.1)
        elif row["roll_mrad_bound"] is not None:
            assert true.roll_mrad < row["roll_mrad_bound"]
    assert told >= 3
    finding = next(item for item in run.curves["blur"]["findings"] if item["kind"] == "roll")
    sizes = [planned[row["file"]].streak.roll_mrad for row in rows if row["roll_mrad"] is not None]
    assert finding["size"] == pytest.approx(float(np.median(sizes)), rel=0.15)
    assert finding["unit"] == "mrad"
    assert finding["z"] > 3.0
    assert finding["frames"] == told
    assert "turning about the lens axis" in (run.folder / "report.html").read_text()


@pytest.mark.statistical
def test_benefit_of_a_stabiliser_is_within_its_interval(tmp_path: Path) -> None:
    stabiliser = Stabiliser(stops=3.0)
    speeds = '"1/125", "1/60", "1/30", "1/15", "1/8", "1/4"'
    truth = {}
    for name, inside in (("stabiliser off", None), ("stabiliser on", stabiliser)):
        kit = small_kit(stabiliser=inside)
        photographed(tmp_path / name, kit, speeds, 1, 8, 7 + bool(inside), technique=name)
        truth[name] = true_shutter_limit_s(
            kit.hands, STREAK_PX, 0.8, kit.lens.focal_mm, kit.pitch_um, stabiliser=inside, paths=8000
        )
    true_stops = math.log2(truth["stabiliser on"] / truth["stabiliser off"])
    assert true_stops > 1.0
    compared = compare_runs([tmp_path / name / "run" for name in truth]).as_dict()
    (difference,) = compared["differences"]
    sign = 1.0 if difference["of"] == "stabiliser on" else -1.0
    low, high = sorted((sign * difference["ci_low"], sign * difference["ci_high"]))
    assert low < true_stops < high
    assert high - low < 2.0
    assert low > 0.0  # it is told from luck
    json.dumps(compared)
