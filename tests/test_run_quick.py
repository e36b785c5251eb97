"""The quick series (6 frames) and the optional frames of the ladder, through DNG files and the public command."""

from __future__ import annotations

import json
import math
import shutil
from dataclasses import replace

import numpy as np
import pytest
from small_kits import small_kit

from kitgauge import runner
from kitgauge.limits.criteria import Criteria
from kitgauge.protocol.loading import load_protocol
from kitgauge.protocol.shot_list import shot_list
from kitgauge.simulate.shooting import plan_frames, shoot_protocol
from kitgauge.simulate.true_values import true_iso_limit

QUICK_CRITERIA = Criteria(snr=12, output_mp=240 * 360 / 1e6)


def quick_kit(**sensor):
    kit = small_kit(shape=(240, 360), iso_range=(100.0, 12800.0))
    return replace(kit, sensor=replace(kit.sensor, **sensor))


def listed(identifier, kit):
    return shot_list(load_protocol(identifier).protocol, kit.camera_range)


def true_snr(sensor, iso):
    """SNR at mid-grey, rounding included, from the simulation's definition (EMVA 1288 R4; ISO 12232: 10/78)."""
    signal = sensor.saturation_e(iso) * 10 / 78
    return signal / math.sqrt(signal + sensor.read_noise_e(iso) ** 2 + sensor.quantisation_noise_e(iso) ** 2)


def quick_run(kit, folder, seed=1, criteria=QUICK_CRITERIA):
    shoot_protocol(kit, listed("noise-quick", kit).shots, folder / "frames", seed=seed)
    return runner.run("noise-quick", folder / "frames", out=folder / "out", criteria=criteria, report=False)


def test_six_frames_are_a_complete_run_that_says_what_it_cannot_know(tmp_path, kitgauge):
    kit = quick_kit()
    shoot_protocol(kit, listed("noise-quick", kit).shots, tmp_path / "frames", seed=1)
    done = kitgauge("run", "noise-quick", "frames", "--out", "out", "--json", "--criterion", "snr=12",
                    "--criterion", "output_mp=0.0864")  # fmt: skip
    assert done.returncode == 0, done.stderr
    curves = json.loads(done.stdout)
    green = [point for point in curves["noise"]["points"] if point["channel"] == "G"]
    assert [point["iso"] for point in green] == [100, 800, 12800]
    for point in green:
        assert point["read_noise_e"] is None and point["dynamic_range_stops"] is None
        assert abs(point["snr_midgrey"] - true_snr(kit.sensor, point["iso"])) < 4 * point["snr_midgrey_stderr"]
        assert point["snr_midgrey_stderr"] < 0.02 * point["snr_midgrey"]
        gain = kit.sensor.gain_e_per_dn(point["iso"])
        assert abs(point["gain_e_per_dn"] - gain) < 3 * point["gain_e_per_dn_stderr"]
    assert curves["noise"]["fit"] is None and not curves["noise"].get("lights")
    (note,) = [note for note in curves["notes"] if "read noise" in note]
    for word in ("shadows", "dynamic range", "second gain stage", "noise-ladder"):
        assert word in note
    (limit,) = curves["limits"]
    assert limit["ci_low"] <= true_iso_limit(kit, QUICK_CRITERIA) <= limit["ci_high"]
    assert "Read noise was not measured" in limit["text"]
    assert (tmp_path / "out" / "report.html").exists()


@pytest.mark.statistical
@pytest.mark.parametrize("sensor", [{}, {"dual_gain_iso": 3200.0, "read_noise_before_e": 6.0}])
def test_snr_and_limit_hold_the_truth_over_many_series(tmp_path, sensor):
    kit = quick_kit(**sensor)
    true = true_iso_limit(kit, QUICK_CRITERIA)
    pulls, held = [], 0
    for seed in range(12):
        done = quick_run(kit, tmp_path, seed=200 + seed)
        for point in done.curves["noise"]["points"]:
            if point["channel"] == "G":
                error = point["snr_midgrey"] - true_snr(kit.sensor, point["iso"])
                pulls.append(error / point["snr_midgrey_stderr"])
        (limit,) = done.limits
        held += limit.ci_low <= true <= limit.ci_high
        assert limit.ci_high / limit.ci_low < 2.5, "and it is worth having"
        shutil.rmtree(tmp_path / "frames")
        shutil.rmtree(tmp_path / "out")
    # the error allows for any read noise up to 10 e-, this camera has one: pulls may scatter by less than 1
    assert 0.5 < np.std(pulls) < 1.35 and abs(np.mean(pulls)) < 0.75
    assert held == 12


def test_a_wish_for_the_shadows_cannot_be_answered(tmp_path):
    criteria = replace(QUICK_CRITERIA, shadow_stops=3.0, shadow_snr=4.0)
    done = quick_run(quick_kit(), tmp_path, criteria=criteria)
    assert done.status == "complete" and done.limits == ()
    (note,) = [note for note in done.notes if "shadows: read noise was not measured" in note]
    assert "noise-ladder" in note


def test_flats_far_from_mid_grey_give_no_snr(tmp_path):
    kit = quick_kit()
    shots = [replace(shot, saturation=None) for shot in listed("noise-quick", kit).shots]  # at the kit's half
    shoot_protocol(kit, shots, tmp_path / "frames", seed=1)
    done = runner.run("noise-quick", tmp_path / "frames", out=tmp_path / "out", report=False)
    assert all(point["snr_midgrey"] is None for point in done.curves["noise"]["points"] if point["channel"] == "G")
    assert done.limits == ()


# Optional frames of the ladder


@pytest.fixture
def ladder(tmp_path):
    """A function: subfolders or not -> kit, and a folder with the whole ladder and its optional frames."""
    kit = small_kit(iso_range=(100.0, 800.0))
    shots = listed("noise-ladder", kit)

    def made(name, *, optional=True, sorted_by_hand=True):
        frames = tmp_path / name
        chosen = [*shots.shots, *(shots.optional_shots if optional else ())]
        shoot_protocol(kit, chosen, frames, seed=1)
        if sorted_by_hand:
            for planned in plan_frames(kit, chosen, seed=1):
                if planned.step.startswith(("lamp", "clipped")):
                    folder = frames / planned.step.split(" ISO")[0]
                    folder.mkdir(exist_ok=True)
                    (frames / planned.file).rename(folder / planned.file)
        return frames

    return kit, made


def green(done):
    return {point["iso"]: point for point in done.curves["noise"]["points"] if point["channel"] == "G"}


def test_the_ladder_is_complete_with_and_without_its_optional_frames(ladder, tmp_path):
    kit, made = ladder
    plain = runner.run("noise-ladder", made("plain", optional=False), out=tmp_path / "1", report=False)
    by_hand = runner.run("noise-ladder", made("by-hand"), out=tmp_path / "2", report=False)
    loose = runner.run("noise-ladder", made("loose", sorted_by_hand=False), out=tmp_path / "3", report=False)
    for done in (plain, by_hand, loose):
        assert (done.status, done.reason) == ("complete", "")
        assert {record.status for record in done.records} == {"used"}
        for iso, point in green(done).items():
            true = kit.sensor.gain_e_per_dn(iso)
            assert abs(point["gain_e_per_dn"] - true) < 4 * point["gain_e_per_dn_stderr"]
    assert [len(done.records) for done in (plain, by_hand, loose)] == [16, 20, 20]
    steps = [record.step for record in by_hand.records]
    assert steps.count("lamp flat ISO 200") == 2 and steps.count("clipped flat ISO 100") == 2
    assert [record.step for record in loose.records].count("clipped flat ISO 100") == 2
    # the clipped pair tells saturation, and leaves no flag behind
    assert green(plain)[100]["saturation_source"] == "file"
    for done in (by_hand, loose):
        assert green(done)[100]["saturation_source"] == "flats" and "clipped" not in green(done)[100]["flags"]
        # the lamp's pair beside that in daylight is a second pair, never mixed with it
        assert green(done)[200]["flat_pairs"] == 2 * green(plain)[200]["flat_pairs"]
        assert "light-changed" not in green(done)[200]["flags"]


def test_a_pair_clipped_by_mistake_is_still_rejected(tmp_path):
    kit = small_kit(iso_range=(100.0, 400.0))
    shots = [
        replace(shot, saturation=(1.5, 6.0)) if shot.step == "flat ISO 200" else shot
        for shot in listed("noise-ladder", kit).shots
    ]
    shoot_protocol(kit, shots, tmp_path / "frames", seed=1)
    done = runner.run("noise-ladder", tmp_path / "frames", out=tmp_path / "out", report=False)
    assert done.status == "partial" and "ISO 200: no gain (highlights are clipped" in done.reason
    rejected = {record.step for record in done.records if record.status == "rejected"}
    assert rejected == {"flat ISO 200"}


@pytest.mark.parametrize(
    ("role", "sentence"),
    [("flat", "there are no dark frames: read noise was not measured"), ("dark", "there are no flats in this folder")],
)
def test_a_ladder_without_one_kind_of_frame_says_so_once(tmp_path, role, sentence):
    kit = small_kit(shape=(240, 360))
    shots = shot_list(load_protocol("noise-ladder").protocol, kit.camera_range).shots
    shoot_protocol(kit, [shot for shot in shots if shot.role == role], tmp_path / "frames", seed=3)
    done = runner.run("noise-ladder", tmp_path / "frames", out=tmp_path / "out", report=False)
    assert done.status == "partial"
    assert len(done.curves["missing"]) == 1 and done.reason.startswith(sentence)
    assert not any("second frame" in note or "no-pair" in note for note in done.notes)
