"""Dark-current series from DNG files through the public command: the truth, what is refused, what is told."""

from __future__ import annotations

import json
import math
import shutil
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from small_kits import small_kit

from kitgauge import runner
from kitgauge.errors import IngestError
from kitgauge.frames import raw
from kitgauge.protocol.loading import load_protocol
from kitgauge.protocol.shot_list import shot_list
from kitgauge.simulate.shooting import plan_frames, shoot_protocol
from kitgauge.simulate.true_values import true_hot_pixels

RATE = 0.5


def dark_kit(shape=(240, 360), *, warming=0.0, **sensor):
    kit = small_kit(shape=shape, warming_per_hour=warming)
    changes = {"dark_current_e_per_s": RATE, "hot_pixel_fraction": 1e-3, "hot_rate_e_per_s": 60.0, **sensor}
    return replace(kit, sensor=replace(kit.sensor, **changes))


def shoot(kit, folder, *, seed=3, optional=False, keep=None):
    listed = shot_list(load_protocol("dark-current").protocol, kit.camera_range)
    shots = [
        shot for shot in [*listed.shots, *(listed.optional_shots if optional else ())] if keep is None or keep(shot)
    ]
    return shoot_protocol(kit, shots, folder, seed=seed)


def measured(kit, tmp_path, **how):
    shoot(kit, tmp_path / "frames", **how)
    done = runner.run("dark-current", tmp_path / "frames", out=tmp_path / "out", report=False)
    return done, done.curves["noise"]["dark_current"]


def test_the_command_finds_the_rate_and_the_hot_pixels(tmp_path, kitgauge):
    kit = dark_kit(shape=(480, 720))
    shoot(kit, tmp_path / "frames", optional=True)
    done = kitgauge("run", "dark-current", "frames", "--out", "out", "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)["noise"]["dark_current"]
    assert (tmp_path / "out" / "report.html").exists()
    assert set(found) >= {"iso", "gain_e_per_dn", "points", "rate_e_per_s", "rate_stderr", "rate_from_variance_e_per_s",
                          "rate_from_variance_stderr", "hot_pixels", "text", "flags"}  # fmt: skip
    assert found["iso"] == 800
    assert abs(found["rate_e_per_s"] - RATE) < 4 * found["rate_stderr"] < 0.03 * RATE
    assert abs(found["rate_from_variance_e_per_s"] - RATE) < 4 * found["rate_from_variance_stderr"] < 0.06 * RATE
    assert found["flags"] == [] and "agree" in found["text"] and found["colours"] == []
    # read noise 1.56 e- (1.5 before and 1.4 DN after the amplifier, at 0.3125 e-/DN): 1.56^2 / 0.5 = 4.9 s
    assert "as much noise as reading out the frame does after about 4.9 s" in found["text"]
    times = [point["exposure_s"] for point in found["points"]]
    assert times == [1 / 128, 1, 4, 16, 32, 60, 120]
    threshold_e = 10 * found["read_noise_dn"] * found["gain_e_per_dn"]
    for point in found["points"]:
        true = true_hot_pixels(kit, point["exposure_s"], threshold_e)
        # those at the threshold may fall to either side of it
        assert abs(point["hot_pixels"] - true) <= max(3, 0.02 * true), point["exposure_s"]
        assert point["hot_pixels_per_mp"] == pytest.approx(point["hot_pixels"] / 0.3456)
    fixed = kit.sensor.fixed_pattern(kit.shape)
    true_rate = dict(zip(fixed.hot_index.tolist(), fixed.hot_rate_e_per_s.tolist(), strict=True))
    for pixel in found["hot_pixels"][:20]:
        assert pixel["rate_e_per_s"] == pytest.approx(true_rate[pixel["y"] * 720 + pixel["x"]], rel=0.05)
    hottest = sorted(true_rate.values())[-20:]
    assert found["hot_pixels"][0]["rate_e_per_s"] == pytest.approx(hottest[-1], rel=0.05)


@pytest.mark.statistical
def test_over_many_series_the_rate_scatters_as_its_error_says(tmp_path):
    kit = dark_kit()
    level, noise = [], []
    for seed in range(20):
        folder = tmp_path / str(seed)
        _, found = measured(kit, folder, seed=100 + seed)
        level.append((found["rate_e_per_s"] - RATE) / found["rate_stderr"])
        noise.append((found["rate_from_variance_e_per_s"] - RATE) / found["rate_from_variance_stderr"])
        shutil.rmtree(folder)
    for pulls in (np.array(level), np.array(noise)):
        # the mean of 20 is known to 0.22, a standard deviation to 0.16
        assert abs(pulls.mean()) < 0.8 and 0.6 < pulls.std() < 1.5
        assert (np.abs(pulls) < 1.96).sum() >= 16, "95 % intervals: fewer than 16 of 20 once in 400 times"


def test_a_camera_that_holds_its_level_is_measured_by_its_noise(tmp_path):
    done, found = measured(dark_kit(holds_dark_level=True), tmp_path)
    assert done.status == "complete" and found["route"] == "variance"
    assert found["rate_e_per_s"] < 0.1 * RATE, "by the level there is hardly any"
    assert abs(found["best_rate_e_per_s"] - RATE) < 4 * found["best_rate_stderr"]
    assert "masked pixels" in found["text"]


@pytest.mark.parametrize("hot", [1e-3, 0.0])
def test_long_exposure_noise_reduction_is_refused(tmp_path, hot):
    done, found = measured(dark_kit(dark_subtraction_from_s=0.5, hot_pixel_fraction=hot), tmp_path)
    assert done.status == "partial" and found is None
    assert "subtracted a dark frame" in done.reason
    flagged = {record.step for record in done.records if "dark-subtracted" in record.flags}
    assert flagged == {"dark 1 s", "dark 4 s", "dark 15 s", "dark 30 s"}


def test_a_sensor_that_warms_up_is_told(tmp_path):
    _, found = measured(dark_kit(warming=20.0), tmp_path)
    assert found["flags"] == ["temperature-changed"] and "temperature" in found["text"]
    steady = measured(dark_kit(), tmp_path / "steady")[1]
    assert steady["flags"] == []


def test_without_flats_the_gain_is_missing_and_numbers_stay_in_dn(tmp_path):
    kit = dark_kit()
    done, found = measured(kit, tmp_path, keep=lambda shot: shot.role == "dark")
    assert done.status == "partial" and "no gain" in done.reason
    assert found["rate_e_per_s"] is None and found["gain_e_per_dn"] is None
    assert found["level_slope_dn_per_s"] == pytest.approx(RATE / kit.sensor.gain_e_per_dn(800), rel=0.02)


def test_one_exposure_time_is_too_few(tmp_path):
    done, found = measured(dark_kit(), tmp_path, keep=lambda shot: shot.role == "flat" or shot.shutter_s == 1)
    assert done.status == "partial" and found is None
    assert "several exposure times" in done.reason and "4 s, 15 s, 30 s" in done.reason


def test_flats_of_a_noise_series_are_not_dark_frames(tmp_path):
    # all levels are above 9 % of the range, after 1/6 s and less: heat would fill the sensor within two seconds
    kit = small_kit(shape=(240, 360))
    listed = shot_list(load_protocol("noise-ladder").protocol, kit.camera_range)
    shots = [shot for shot in [*listed.shots, *listed.optional_shots] if shot.step_name != "lamp flat"]
    shoot_protocol(kit, shots, tmp_path / "frames", seed=3)
    done = runner.run("dark-current", tmp_path / "frames", out=tmp_path / "out", report=False)
    assert done.status == "partial" and done.curves["noise"]["dark_current"] is None
    assert "several exposure times" in done.reason
    assert {r.role for r in done.records if r.shutter_s > 0.001 and r.iso == 100} == {"flat"}
    gains = [point["gain_e_per_dn"] for point in done.curves["noise"]["points"] if point["channel"] == "G"]
    assert gains == [pytest.approx(kit.sensor.gain_e_per_dn(100), rel=0.05)], "by the flats that do not clip"


def test_lit_dark_frames_are_left_out_and_said_first(tmp_path):
    kit = dark_kit()
    files = shoot(kit, tmp_path / "frames")
    said = [f"{file.name},dark" for file in files[-2:]]  # the flats
    settings = tmp_path / "settings.csv"
    settings.write_text("\n".join(["file,step", *said]) + "\n", encoding="utf-8")
    done = runner.run("dark-current", tmp_path / "frames", out=tmp_path / "out", settings=settings, report=False)
    found = done.curves["noise"]["dark_current"]
    assert done.status == "partial"
    for text in (found["text"], done.reason):
        assert text.startswith("1 of ") and "the dark frame is not dark" in text.split(".")[0]
    slope = found["level_slope_dn_per_s"]
    assert slope == pytest.approx(RATE / kit.sensor.gain_e_per_dn(800), rel=0.05)
    lit = {record.file for record in done.records if "light-leak" in record.flags}
    assert lit == {file.name for file in files[-2:]}


def test_a_hot_sensor_is_not_taken_for_flats(tmp_path):
    # 60 e-/s are 1920 of 4930 e- in 30 s: as bright as a flat
    done, found = measured(dark_kit(dark_current_e_per_s=60.0), tmp_path)
    assert [record.role for record in done.records].count("flat") == 2
    assert abs(found["rate_e_per_s"] - 60.0) < 4 * found["rate_stderr"]


def test_frames_of_another_iso_and_lone_frames_end_with_their_reason(tmp_path):
    kit = dark_kit()
    files = shoot(kit, tmp_path / "frames")
    plan = plan_frames(kit, shot_list(load_protocol("dark-current").protocol, kit.camera_range).shots, seed=3)
    files[-3].unlink()  # one of the two at 30 s
    settings = tmp_path / "settings.csv"
    settings.write_text(f"file,iso\n{files[4].name},1600\n{files[5].name},1600\n", encoding="utf-8")
    assert plan[4].shutter_s == 4.0
    done = runner.run("dark-current", tmp_path / "frames", out=tmp_path / "out", settings=settings, report=False)
    by_name = {record.file: record for record in done.records}
    assert by_name[files[4].name].status == "unmatched" and "the series is at ISO 800" in by_name[files[4].name].reason
    lone = by_name[files[-4].name]
    assert lone.status == "unmatched" and "no-pair" in lone.flags
    assert len(done.curves["noise"]["dark_current"]["points"]) == 3


def test_developed_pictures_are_refused(tmp_path):
    from PIL import Image

    folder = tmp_path / "jpegs"
    folder.mkdir()
    for index in range(4):
        exif = Image.Exif()
        exif.get_ifd(0x8769).update({0x829A: 1.0, 0x8827: 800, 0x829D: 8.0})
        Image.fromarray(np.full((64, 96, 3), index, np.uint8)).save(folder / f"{index}.jpg", exif=exif)
    with pytest.raises(IngestError, match="no raw frames"):
        runner.run("dark-current", folder, out=tmp_path / "out")


@pytest.mark.usefixtures("in_this_process")
def test_every_file_is_opened_once_and_nothing_is_measured_twice(tmp_path, monkeypatch):
    files = shoot(dark_kit(), tmp_path / "frames", seed=77)
    opened = Counter()
    open_raw = raw.open_raw

    def counted(path, **how):
        opened.update([path.name])
        return open_raw(path, **how)

    monkeypatch.setattr(raw, "open_raw", counted)
    first, again = (
        runner.run("dark-current", tmp_path / "frames", out=tmp_path / name, report=False) for name in ("one", "two")
    )
    assert opened == {file.name: 1 for file in files} and len(files) == 12
    assert (first.frames_decoded, again.frames_decoded) == (12, 0)
    assert again.curves["noise"]["dark_current"] == first.curves["noise"]["dark_current"]
    assert not math.isnan(first.curves["noise"]["dark_current"]["rate_e_per_s"])
