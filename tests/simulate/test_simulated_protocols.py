"""Every shipped protocol can be shot with a simulated kit, and what the kit does on purpose is what it says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from small_kits import small_kit

from kitgauge.exposure import exact_iso
from kitgauge.frames.metadata import read_settings
from kitgauge.frames.opening import open_frame
from kitgauge.protocol.loading import load_protocol, shipped_protocols
from kitgauge.protocol.shot_list import shot_list
from kitgauge.simulate.sensor import Sensor
from kitgauge.simulate.shooting import plan_frames, shoot_protocol, take_frame
from kitgauge.simulate.true_values import true_channel_ratios, true_hot_pixels, truth


def tiny_kit(**sensor):
    kit = small_kit(shape=(240, 360))
    return replace(kit, sensor=replace(kit.sensor, **sensor))


def shots_of(identifier, kit):
    listed = shot_list(load_protocol(identifier).protocol, kit.camera_range)
    return [*listed.shots, *listed.optional_shots]


@pytest.mark.parametrize("identifier", [item.protocol.id for item in shipped_protocols()])
def test_every_shipped_protocol_can_be_shot(identifier, tmp_path):
    kit = small_kit()
    shots = shots_of(identifier, kit)
    plan = plan_frames(kit, shots, seed=1)
    assert len(plan) == sum(shot.frames for shot in shots)
    assert [frame.role for frame in plan if frame.step == shots[-1].step] == [shots[-1].role] * shots[-1].frames
    (path,) = shoot_protocol(kit, [replace(shots[-1], frames=1)], tmp_path, seed=1)
    mosaic = open_frame(path)
    assert mosaic.shape == kit.shape and not mosaic.rendered


def means(kit, frame):
    samples = take_frame(kit, frame).astype(float) - 600.0
    return {"R": samples[::2, ::2].mean(), "G": samples[::2, 1::2].mean(), "B": samples[1::2, 1::2].mean()}


def test_lamp_light_starves_blue_and_keeps_green():
    kit = replace(tiny_kit(), light_drift=0.0)
    plan = plan_frames(kit, shots_of("noise-ladder", kit), seed=1)
    day = next(frame for frame in plan if frame.step == "flat ISO 400")
    lamp = next(frame for frame in plan if frame.step.startswith("lamp flat"))
    assert (day.light, lamp.light, lamp.iso) == ("daylight", "tungsten", 400)
    daylight, tungsten = means(kit, day), means(kit, lamp)
    assert tungsten["G"] == pytest.approx(daylight["G"], rel=0.01)
    for found, light in ((daylight, "daylight"), (tungsten, "tungsten")):
        red, blue = true_channel_ratios(kit, light)
        assert (found["R"] / found["G"], found["B"] / found["G"]) == pytest.approx((red, blue), rel=0.02)
    # the kit's own numbers: 0.55 and 0.68 in daylight, 1.9 and 0.45 times that under a lamp
    assert true_channel_ratios(kit, "tungsten") == pytest.approx((0.55 * 1.9, 0.68 * 0.45))


def test_levels_are_those_that_the_protocol_asks_for():
    kit = replace(tiny_kit(), light_drift=0.0)
    level = {frame.step: frame.level for name in ("noise-ladder", "noise-quick")
             for frame in plan_frames(kit, shots_of(name, kit), seed=1)}  # fmt: skip
    assert level["flat ISO 100"] == pytest.approx(kit.flat_level, rel=0.13), "half a third-stop dial step"
    assert level["ISO 100"] == pytest.approx(10 / 78, rel=0.13), "mid-grey (ISO 12232)"
    assert level["clipped flat ISO 100"] > 2.5
    clipped = next(f for f in plan_frames(kit, shots_of("noise-ladder", kit), seed=1) if f.level > 2)
    assert (take_frame(kit, clipped) >= kit.sensor.white_dn).mean() > 0.999, "all colours"


def test_thirds_of_a_stop_can_be_scaled_numbers():
    sensor = Sensor(digital_thirds=True, read_noise_after_dn=0.0)
    iso_125, iso_160 = exact_iso(125), exact_iso(160)
    assert sensor.made_from(iso_125) == pytest.approx((100.0, 1.25))
    assert sensor.made_from(iso_160) == pytest.approx((200.0, 0.8))
    assert sensor.made_from(400.0) == (400.0, 1.0)
    # a pushed value has the electrons and the noise of what it is made from, over a smaller range
    assert sensor.gain_e_per_dn(iso_125) == pytest.approx(2.5 / 1.25)
    assert sensor.read_noise_e(iso_125) == sensor.read_noise_e(100.0)
    assert sensor.saturation_e(iso_125) == pytest.approx(sensor.saturation_e(100.0) / 1.25)
    assert sensor.saturation_e(iso_160) == pytest.approx(sensor.saturation_e(200.0)), "and a pulled one clips early"
    levels = np.tile(np.linspace(3000.0, 12000.0, 360, dtype=np.float32), (240, 1))
    codes = {
        iso: np.bincount(sensor.expose(levels, iso, np.random.default_rng(1))[::2, ::2].ravel())[2000:4000]
        for iso in (100.0, iso_125)
    }
    assert (codes[100.0] == 0).mean() < 0.05
    assert (codes[iso_125] == 0).mean() == pytest.approx(0.2, abs=0.02), "every fifth code of a plane is missing"
    flat = sensor.expose(np.full((240, 360), 1e6, np.float32), iso_160, np.random.default_rng(1))
    assert int(flat.max()) == pytest.approx(600 + 0.8 * (16383 - 600), abs=2)


def test_extended_values_are_scaled_beyond_the_amplifier():
    sensor = Sensor(amplified_range=(100.0, 12800.0))
    assert sensor.made_from(50.0) == (100.0, 0.5)
    assert sensor.made_from(51200.0) == (12800.0, 4.0)
    assert sensor.gain_e_per_dn(50.0) == pytest.approx(5.0), "the plain formula still: ISO 50 is half of ISO 100"
    assert sensor.saturation_e(50.0) == sensor.saturation_e(100.0)
    kit = replace(small_kit(), sensor=sensor, iso_range=(50.0, 200.0))
    true = truth(kit, iso_values=[50.0, 100.0], f_numbers=[2.8], paths=10)
    assert [(item.made_from_iso, item.digital_factor) for item in true.noise] == [(100.0, 0.5), (100.0, 1.0)]


def test_iso_beyond_65535_reaches_the_file(tmp_path):
    kit = replace(small_kit(shape=(96, 144), cells=(1, 1)), iso_range=(51200.0, 204800.0))
    shots = [shot for shot in shots_of("noise-ladder", kit) if shot.role == "flat" and not shot.optional]
    paths = shoot_protocol(kit, shots, tmp_path, seed=1)
    assert [read_settings(path).iso for path in paths[::2]] == [51200, 102400, 204800]


def test_long_exposures_fill_up_and_cameras_may_hide_it():
    plain, held, subtracted = (
        tiny_kit(dark_current_e_per_s=2.0, dark_signal_nonuniformity_e=0.0, hot_pixel_fraction=0.0, **extra)
        for extra in ({}, {"holds_dark_level": True}, {"dark_subtraction_from_s": 1.0})
    )
    plan = {f.step: f for f in plan_frames(plain, shots_of("dark-current", plain), seed=2)}
    short, long = plan["dark 1/125"], plan["dark 30 s"]
    gain = plain.sensor.gain_e_per_dn(800)

    def rise(kit):
        a, b = (take_frame(kit, frame).astype(float) for frame in (short, long))
        return (b.mean() - a.mean()) * gain, (b.var() - a.var()) * gain**2

    level, variance = rise(plain)
    assert level == pytest.approx(64.0, rel=0.02) and variance == pytest.approx(64.0, rel=0.05)
    level, variance = rise(held)
    assert abs(level) < 0.5 and variance == pytest.approx(64.0, rel=0.05)
    level, variance = rise(subtracted)
    assert abs(level) < 0.5
    # two frames: twice the dark current's noise, and the read noise once more
    assert variance == pytest.approx(2 * 64.0 + plain.sensor.read_noise_e(800) ** 2, rel=0.05)


def test_a_warming_kit_and_hot_pixels_know_their_truth():
    kit = replace(tiny_kit(), warming_per_hour=6.0)
    first, *_, last = plan_frames(kit, shots_of("dark-current", kit), seed=2)
    hours = (last.taken_at - first.taken_at).total_seconds() / 3600
    assert (first.dark_rate, last.dark_rate) == pytest.approx((1.0, 1.0 + 6.0 * hours))
    assert true_hot_pixels(kit, 1.0, 0.0) == round(kit.sensor.hot_pixel_fraction * 240 * 360)
    assert true_hot_pixels(kit, 1.0, 1e9) == 0
