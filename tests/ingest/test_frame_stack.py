"""Many frames of one ISO, in any order: each used, few in memory, levels kept apart.

Frames are made in memory, with nothing of the package in them.
"""

from __future__ import annotations

import json
import math
import weakref
from pathlib import Path

import numpy as np
import pytest

from kitgauge.frames.mosaic import Mosaic
from kitgauge.ingest import iso_group
from kitgauge.ingest.frame_sets import FrameSets
from kitgauge.ingest.frame_stack import MOST_FRAMES, FrameStack, FrameSum
from kitgauge.ingest.iso_pairs import plane_pairs
from kitgauge.ingest.record import FrameRecord
from kitgauge.measure.noise.noise_points import PlanePairs, noise_points

WHITE, BLACK, GAIN, READ_E = 16383.0, 512.0, 2.0, 5.0
SHAPE = (128, 160)
BAYER = (("R", "G1"), ("G2", "B"))
OFFSETS = np.array([[0.0, 3.0], [-2.0, 5.0]])  # black differs by position of the pattern


class Shoot:
    """Frames given as (level in e-, shutter time); Bayer, greens unequal, light drifting from frame to frame."""

    def __init__(self, monkeypatch, frames, *, seed=1, drift=0.0, source="metadata", pattern=BAYER):
        rng = np.random.default_rng(seed)
        response = 1 + 0.006 * rng.standard_normal(SHAPE)
        if pattern == BAYER:
            response *= np.tile([[0.5, 1.0], [0.97, 0.7]], (SHAPE[0] // 2, SHAPE[1] // 2))
        self.records, self.samples = [], {}
        opened: list[weakref.ref[np.ndarray]] = []
        self.most_alive = 0
        black = BLACK + np.tile(OFFSETS, (SHAPE[0] // 2, SHAPE[1] // 2))
        for index, (level, shutter_s) in enumerate(frames):
            electrons = rng.poisson(level * (1 + drift * index) * response) + READ_E * rng.standard_normal(SHAPE)
            name = f"{index:03d}.dng"
            self.samples[name] = np.clip(np.round(electrons / GAIN + black), 0, WHITE).astype(np.uint16)
            self.records.append(
                FrameRecord(name, Path(name), sha256=name, iso=100.0, shutter_s=shutter_s, f_number=5.6)
            )

        def open_frame(path, **_):
            samples = self.samples[path.name].copy()
            opened.append(weakref.ref(samples))
            self.most_alive = max(self.most_alive, sum(frame() is not None for frame in opened))
            stated = np.full((len(pattern), len(pattern[0])), BLACK)
            return Mosaic(path, samples, pattern, stated, WHITE, source)

        monkeypatch.setattr(iso_group, "open_frame", open_frame)

    def measure(self):
        class NoCache:
            def key(self, *_):
                return ""

        result = iso_group.iso_task(100.0, self.records, NoCache()).work()
        json.dumps(result, default=lambda values: values.tolist())  # arrays, else plain values
        for plane in plane_pairs(result):
            assert len(plane.flats) == len(sets_of(result, "flat"))
            assert len(plane.darks) == len(sets_of(result, "dark"))
        return result

    def unpaired(self):
        return self.measure()["unpaired"]


def sets_of(result, role):
    return list(FrameSets.from_dict(result[f"{role}_sets"]))


def point_of(result, channel="G"):
    planes = [
        PlanePairs(plane.colour, plane.flats, plane.darks, float(np.mean([pair.mean_dn for pair in plane.darks])))
        for plane in plane_pairs(result)
    ]
    return next(point for point in noise_points(100.0, planes) if point.channel == channel)


DARKS = [(0.0, 1 / 4000)]


@pytest.mark.parametrize(("flats", "darks"), [(2, 2), (3, 3), (4, 2), (10, 5), (50, 2)])
def test_n_frames_make_n_less_one_differences(monkeypatch, flats, darks):
    shoot = Shoot(monkeypatch, [(16_000.0, 1 / 60)] * flats + DARKS * darks, drift=0.0005)
    result = shoot.measure()
    assert not result["unpaired"]
    assert [one.count for one in sets_of(result, "flat")] == list(range(2, flats + 1))
    assert [one.count for one in sets_of(result, "dark")] == list(range(2, darks + 1))
    # each file is named once: what goes on from an earlier set refers to it
    assert sum(len(one.files) for role in ("flat", "dark") for one in sets_of(result, role)) == flats + darks
    assert [pair.reference_frames for pair in plane_pairs(result)[0].flats] == list(range(1, flats))
    assert shoot.most_alive <= 2  # and one sum of frames
    point = point_of(result)
    assert point.flat_pairs == 2 * (flats - 1)  # G1 and G2
    assert point.gain_e_per_dn == pytest.approx(GAIN, abs=3.5 * point.gain_e_per_dn_stderr)
    assert point.read_noise_e == pytest.approx(READ_E, abs=3.5 * point.read_noise_e_stderr)
    # two greens of SHAPE / 4 each (fixed by the Fisher information of a variance)
    samples = 2 * SHAPE[0] * SHAPE[1] / 4
    assert point.read_noise_dn_stderr / point.read_noise_dn == pytest.approx(
        math.sqrt(2 / samples / (darks - 1)) / 2 * (1 + (1 / 12) / 6.25), rel=0.06
    )


def test_settings_shot_in_turns_are_told_apart(monkeypatch):
    # 1, 2, 1, 2 ... two settings, the light drifting all the while
    turns = [(6_000.0, 1 / 125), (18_000.0, 1 / 40)] * 4
    shoot = Shoot(monkeypatch, turns + DARKS * 2, drift=0.004)
    result = shoot.measure()
    assert [one.shutter_s for one in sets_of(result, "flat")] == [1 / 125] * 3 + [1 / 40] * 3
    assert shoot.most_alive <= 2
    point = point_of(result)
    assert point.gain_e_per_dn == pytest.approx(GAIN, abs=3.5 * point.gain_e_per_dn_stderr)
    assert not {"light-changed", "textured"} & set(point.flags)


def test_levels_made_by_light_at_one_setting_are_told_apart(monkeypatch):
    levels = [3_000.0, 7_000.0, 12_000.0, 18_000.0, 24_000.0]
    frames = [(level, 1 / 60) for level in levels for _ in range(2)]
    result = Shoot(monkeypatch, frames + DARKS * 2).measure()
    assert [list(one.files) for one in sets_of(result, "flat")] == [
        [f"{i:03d}.dng", f"{i + 1:03d}.dng"] for i in (0, 2, 4, 6, 8)
    ]
    assert not any("light-changed" in pair.flags for pair in plane_pairs(result)[1].flats)
    assert not result["unpaired"]


def test_two_singles_whose_light_changed_still_make_a_pair_and_say_so(monkeypatch):
    result = Shoot(monkeypatch, [(10_000.0, 1 / 60), (13_000.0, 1 / 60)] + DARKS * 2).measure()
    assert len(sets_of(result, "flat")) == 1
    assert "light-changed" in plane_pairs(result)[1].flats[0].flags


def test_a_single_frame_stays_alone(monkeypatch):
    shoot = Shoot(monkeypatch, [(10_000.0, 1 / 60), (16_000.0, 1 / 30), (16_000.0, 1 / 30)] + DARKS * 2)
    assert shoot.unpaired() == ["000.dng"]


@pytest.mark.parametrize("source", ["metadata", "unknown"])
def test_black_offset_by_position_is_seen_through(monkeypatch, source):
    # the stated level is wrong by -2 to 5 DN: without the darks gain would be off by as much over 400 DN of signal
    result = Shoot(monkeypatch, [(800.0, 1 / 60)] * 4 + DARKS * 4, source=source).measure()
    for plane, offset in zip(plane_pairs(result), OFFSETS.ravel(), strict=True):
        assert plane.darks[0].mean_dn == pytest.approx(BLACK + offset, abs=0.2)
        assert plane.flats[0].black_dn == pytest.approx(BLACK + offset, abs=0.2)
    for channel in ("G1", "G2", "B"):
        point = point_of(result, channel)
        assert point.gain_e_per_dn == pytest.approx(GAIN, abs=3.5 * point.gain_e_per_dn_stderr)


def test_the_sum_of_frames_is_exact():
    stack, rng = FrameStack(0.5), np.random.default_rng(3)
    total = np.zeros((6, 8), np.int64)
    for count in range(40):
        samples = rng.integers(0, 65536, (6, 8)).astype(np.uint16)
        mosaic = Mosaic(Path("x"), samples, (("G",),), np.zeros((1, 1)), 65535.0, "metadata")
        contrast = stack.add(FrameRecord(f"{count}", Path("x"), sha256="", iso=100.0), mosaic)
        assert (contrast is None) == (count == 0)
        if contrast is not None:
            [(plane, mean)] = list(contrast.planes())
            assert plane.samples is not mean
            assert np.array_equal(np.rint(mean.astype(float) * count), total)
        stack.keep(mosaic)
        total += samples


@pytest.mark.parametrize(("highest", "frames"), [(4095, 16), (4095, 17), (16383, 5), (65535, 2), (65535, MOST_FRAMES)])
def test_sums_stay_exact_beyond_sixteen_bits(highest, frames):
    rng = np.random.default_rng(frames)
    shape = (130, 7)
    all_frames = [rng.integers(0, highest, shape, dtype=np.uint16, endpoint=True) for _ in range(frames)]
    all_frames[0][:3] = highest
    for frame in all_frames[1:]:
        frame[:3] = highest
    total = FrameSum(all_frames[0], all_frames[1])
    for frame in all_frames[2:]:
        total.add(frame)
    expected = np.sum(all_frames, axis=0, dtype=np.int64)
    within = (slice(1, None, 2), slice(0, 4))
    assert np.array_equal(total.mean(within, 1).astype(np.int64), expected[within])
    assert total.mean(within, frames) == pytest.approx(expected[within] / frames, rel=1e-6)
    assert all_frames[0].max() == highest  # the frames themselves are left as they were


def test_a_sum_that_is_full_is_followed_by_another(monkeypatch):
    monkeypatch.setattr("kitgauge.ingest.frame_stack.MOST_FRAMES", 4)
    result = Shoot(monkeypatch, [(0.0, 1 / 8000)] * 2 + [(9000.0, 1 / 30)] * 10).measure()
    assert [one.count for one in sets_of(result, "flat")] == [2, 3, 4, 2, 3, 4, 2]
