"""Conclusions of a blur run from measured edges: what is told about a bad reference, and what becomes of the frames."""

from __future__ import annotations

import json
import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from kitgauge.ingest.cache import MeasurementCache
from kitgauge.ingest.record import FrameRecord
from kitgauge.limits.criteria import Criteria
from kitgauge.limits.run_limits import fit_of_rows
from kitgauge.measure.edges.edge_candidate import candidate_from_line
from kitgauge.measure.edges.edge_profile import EdgeProfile
from kitgauge.protocol.loading import load_protocol
from kitgauge.runs import blur as run_blur
from kitgauge.runs.context import Kit, RunContext, Section
from kitgauge.runs.files import to_json

POSITION = np.arange(-30.0, 30.01, 0.25)
NOISE_DN = 4.0
SPEEDS = (1 / 125, 1 / 60, 1 / 30, 1 / 15)


def profiles(
    rng: np.random.Generator, streak_px: float, defocus_px: float, direction_rad: float | None = None
) -> list[dict[str, Any]]:
    """Edges of two tilted squares under straight motion, of random direction by default; uniform kernel in 60 steps."""
    direction = rng.uniform(0.0, math.pi) if direction_rad is None else direction_rad
    steps = (np.arange(60) + 0.5) / 60.0 - 0.5
    found = []
    for group, tilt in enumerate((4.0, -5.0)):
        for number, side in enumerate(("right", "bottom", "left", "top")):
            angle = math.radians(tilt + 90.0 * number)
            normal = (math.cos(angle), math.sin(angle))
            line = (-75.0 * normal[1], 75.0 * normal[0], 75.0 * normal[1], -75.0 * normal[0])
            middles = streak_px * math.cos(angle - direction) * steps
            rise = ndtr((POSITION[:, None] - middles) / math.hypot(0.7, defocus_px)).mean(axis=1)
            esf = 100.0 + 2000.0 * rise + NOISE_DN * rng.standard_normal(POSITION.size)
            candidate = candidate_from_line(*line, normal, 30.0, group=group, side=side)
            found.append(EdgeProfile(candidate, POSITION, esf, np.full(POSITION.size, NOISE_DN)).as_dict())
    return found


@dataclass
class Shoot:
    """Frames of a run, with the measurements that opening them would give."""

    rng: np.random.Generator
    records: list[FrameRecord] = field(default_factory=list)
    results: dict[str, Any] = field(default_factory=dict)

    def add(
        self,
        role: str,
        shutter_s: float,
        streak_px: float,
        defocus_px: float = 0.0,
        direction_rad: float | None = None,
    ) -> None:
        name = f"IMG{len(self.records):04}.DNG"
        record = FrameRecord(name, Path(name), sha256=name, shutter_s=shutter_s)
        self.records.append(record.used(role, role))
        self.results[name] = {
            "shape": [1200, 1800], "flags": [], "profiles": profiles(self.rng, streak_px, defocus_px, direction_rad),
            "unusable": [],
        }  # fmt: skip

    def ladder(self, frames: int = 6, defocus_px: float = 0.0, s64: float = 1.2) -> None:
        for speed in SPEEDS:
            for streak in np.minimum(s64 * 64.0 * speed * self.rng.rayleigh(1.0, frames), 25.0):
                self.add("handheld", speed, float(streak), defocus_px)

    def concluded(self) -> Section:
        kit = Kit("kit", None, None, None, 50.0, None, 4.0, "given", False)
        context = RunContext(
            load_protocol("handheld-shutter").protocol, tuple(self.records), kit, Criteria(streak_px=2.0), None,
            MeasurementCache(None), ThreadPoolExecutor(1), 1, lambda *_: None, lambda *_: None,
        )  # fmt: skip
        return run_blur.conclude(context, self.results)


def shoot(seed: int) -> Shoot:
    return Shoot(np.random.default_rng(seed))


def flags_of(section: Section, role: str) -> NDArray[np.object_]:
    return np.array([",".join(record.flags) for record in section.records if record.role == role], dtype=object)


def test_steady_tripod_gives_a_limit_without_doubt() -> None:
    run = shoot(1)
    for speed in SPEEDS:
        run.add("tripod", speed, 0.0)
    run.ladder()
    section = run.concluded()
    assert section.missing == ()
    assert section.notes == ()
    (limit,) = section.limits
    assert limit.flags == ()
    # 8 of 10 at 2 px: 1.2 px * 64 t * sqrt(-2 ln 0.2) = 2 px
    assert abs(math.log2(limit.value["shutter_s"] * 64.0 * 1.2 * math.sqrt(-2.0 * math.log(0.2)) / 2.0)) < 0.7
    assert section.curves is not None
    assert all("direction_deg_stderr" in row for row in section.curves["blur"]["frames"])


def test_a_comparison_refits_the_written_streaks_to_the_same_limits_and_the_rule_stands_beside() -> None:
    run = shoot(2)
    for speed in SPEEDS:
        run.add("tripod", speed, 0.0)
    run.ladder(frames=10)
    section = run.concluded()
    assert section.curves is not None
    blur = json.loads(to_json(section.curves))["blur"]
    again = fit_of_rows(blur["frames"])
    for row in blur["limits"]:
        found = again.limit(row["keep"], row["streak_limit_px"])
        assert (found.shutter_s, found.ci_low_s, found.ci_high_s) == pytest.approx(
            (row["shutter_s"], row["ci_low_s"], row["ci_high_s"]), rel=1e-6, nan_ok=True
        )
    # 1200 x 1800 pixels of 4 um: 8.65 mm across the diagonal, so 50 mm is 250 mm in 35 mm terms
    assert blur["rule"]["rule_s"] == pytest.approx(8.653 / 43.267 / 50.0, rel=1e-3)
    assert all(row["scaled"] and row["from_focal_mm"] == 50.0 for row in blur["scaled"])


def test_forgotten_tripod_gives_no_limit_and_says_why() -> None:
    run = shoot(2)
    for speed in SPEEDS:
        for streak in 1.2 * 64.0 * speed * run.rng.rayleigh(1.0, 2):
            run.add("tripod", speed, float(streak))
    run.ladder()
    section = run.concluded()
    assert section.limits == ()
    assert any("no steady reference" in text and "folder tripod/" in text for text in section.missing)
    assert any("tripod frames differ among themselves" in text for text in section.notes)
    for role in ("tripod", "handheld"):
        assert all("tripod-unsteady" in flags for flags in flags_of(section, role))
    assert section.curves is not None
    assert all("tripod-unsteady" in limit["flags"] for limit in section.curves["blur"]["limits"])


def test_tripod_frames_shot_last_do_not_bring_wrong_advice() -> None:
    """Order takes handheld frames for the tripod's and the other way round."""
    run = shoot(3)
    for speed in SPEEDS:
        run.add("tripod", speed, 250.0 * speed)
        run.add("tripod", speed, 120.0 * speed)
    for speed in SPEEDS:
        for _ in range(3):
            run.add("handheld", speed, 0.0)
    section = run.concluded()
    assert section.limits == ()
    told = " ".join([*section.missing, *section.notes])
    assert "folder tripod/" in told
    assert "shoot slower" not in told


def test_slightly_restless_tripod_leaves_a_doubtful_limit() -> None:
    run = shoot(4)
    for speed, streak in zip(SPEEDS, (0.0, 0.9, 0.0, 0.9), strict=True):
        run.add("tripod", speed, streak)
    run.ladder()
    section = run.concluded()
    (limit,) = section.limits
    assert "tripod-unsteady" in limit.flags
    assert "on a tripod" in limit.text
    assert not any("no steady reference" in text for text in section.missing)


def test_handheld_frames_alone_are_not_used() -> None:
    run = shoot(5)
    run.ladder(frames=2)
    run.results.clear()  # without a tripod frame nothing is opened
    section = run.concluded()
    assert {record.status for record in section.records} == {"rejected"}
    assert all("no-reference" in record.flags for record in section.records)
    assert any("no reference" in text for text in section.missing)


def test_interrupted_before_the_tripod_frames_rejects_nothing() -> None:
    run = shoot(6)
    run.add("tripod", 1 / 60, 0.0)
    run.ladder(frames=1)
    run.results.clear()
    section = run.concluded()
    assert {record.status for record in section.records} == {"used"}


@pytest.mark.parametrize("defocus_px", [0.0, 0.7])
def test_blur_at_all_speeds_is_told_apart_from_shake(defocus_px: float) -> None:
    run = shoot(7)
    for speed in SPEEDS:
        run.add("tripod", speed, 0.0)
    run.ladder(defocus_px=defocus_px, s64=0.8)
    section = run.concluded()
    told = [text for text in section.notes if "does not depend on shutter speed" in text]
    assert len(told) == (1 if defocus_px else 0)
    assert all(("constant-blur" in limit.flags) == bool(defocus_px) for limit in section.limits)
    if defocus_px:
        # variance 0.49 px2 on both axes: a streak of sqrt(24 * 0.49) px
        stated = float(told[0].split("streak of ")[1].split(" px")[0])
        assert stated == pytest.approx(math.sqrt(24.0) * defocus_px, abs=0.35)


def test_knock_of_the_shutter_is_told_and_not_put_down_to_the_hands() -> None:
    run = shoot(8)
    knock = {1 / 250: 0.0, 1 / 125: 0.3, 1 / 60: 1.5, 1 / 30: 3.0, 1 / 15: 2.0, 1 / 4: 0.4}
    for speed, streak in knock.items():
        for _ in range(2):
            run.add("tripod", speed, streak, direction_rad=math.pi / 2)
    for speed in knock:  # hands that are still: all that these frames show is the knock
        for _ in range(3):
            run.add("handheld", speed, knock[speed], direction_rad=math.pi / 2)
    section = run.concluded()
    assert section.curves is not None
    (finding,) = section.curves["blur"]["findings"]
    assert finding["kind"] == "shutter-shock"
    assert finding["size"] == pytest.approx(3.0, abs=0.14)
    assert finding["direction_deg"] == pytest.approx(90.0, abs=8.0)
    assert "up and down" in finding["text"]
    assert "1/30" in finding["text"]
    assert finding["text"] in section.notes
    rows = section.curves["blur"]["frames"]
    held = [row for row in rows if row["role"] == "handheld"]
    assert sum(row["censored"] == "below" for row in held) >= len(held) - 1
    for row in rows:
        assert ("shutter-shock" in row["flags"]) == (row["shutter_s"] in (1 / 60, 1 / 30, 1 / 15))
        assert "tripod-unsteady" not in row["flags"]


def test_angles_at_the_distance_of_the_target() -> None:
    """50 mm lens, pixels of 4 um, target at 25 px per mm: magnification 0.1, so that the lens stands 55 mm away."""
    for px_per_mm, focal_mm in ((25.0, 55.0), (None, 50.0)):
        run = shoot(9)
        for speed in SPEEDS:
            run.add("tripod", speed, 0.0)
        if px_per_mm is not None:
            run.results["IMG0000.DNG"]["target"] = [{"px_per_mm": px_per_mm, "sheet": 1}]
        run.add("handheld", 1 / 30, 6.0, direction_rad=math.radians(30.0))
        section = run.concluded()
        assert section.curves is not None
        angles = section.curves["blur"]["angles"]
        assert angles["effective_focal_mm"] == pytest.approx(focal_mm)
        assert angles["at_the_target"] is (px_per_mm is not None)
        row = section.curves["blur"]["frames"][-1]
        true_mrad = 6.0 * 4.0 / focal_mm  # um / mm
        assert row["streak_mrad"] == pytest.approx(true_mrad, rel=0.03)
        assert row["yaw_mrad"] == pytest.approx(true_mrad * math.cos(math.radians(30.0)), rel=0.04)
        assert row["pitch_mrad"] == pytest.approx(true_mrad * math.sin(math.radians(30.0)), rel=0.04)
        assert math.isnan(row["roll_mrad"])  # two squares at one place tell none
