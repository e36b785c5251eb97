"""ISO values between whole stops that are arithmetic on codes, through the public command, against the true sensor."""

from __future__ import annotations

import json
from dataclasses import replace

from small_kits import small_kit

from kitgauge.exposure import exact_iso
from kitgauge.protocol.loading import load_protocol
from kitgauge.protocol.shot_list import shot_list
from kitgauge.simulate.shooting import shoot_protocol


def test_every_number_of_a_pulled_and_a_pushed_iso(tmp_path, kitgauge):
    kit = small_kit(shape=(540, 810), iso_range=(64.0, 200.0))
    kit = replace(kit, sensor=replace(kit.sensor, digital_thirds=True, amplified_range=(100.0, 1e9)))
    protocol = load_protocol("noise-ladder").protocol
    thirds = protocol.model_copy(update={"sweep": protocol.sweep.model_copy(update={"values": "third-stops"})})
    shoot_protocol(kit, shot_list(thirds, kit.camera_range).shots, tmp_path / "frames", seed=5)
    done = kitgauge("run", "noise-ladder", "frames", "--out", "out", "--criterion", "output_mp=0.1", "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    points = {point["iso"]: point for point in found["noise"]["points"] if point["channel"] == "G"}
    factors = {64: 0.63, 80: 0.794, 100: 1.0, 125: 1.25, 160: 0.8, 200: 1.0}
    assert sorted(points) == sorted(factors)
    for iso, factor in factors.items():
        point, true = points[iso], exact_iso(iso)
        assert abs(point["code_scale"] - factor) < 0.001
        for key in ("gain_e_per_dn", "read_noise_e", "saturation_e"):
            expected = getattr(kit.sensor, key)(true)
            assert abs(point[key] - expected) < 4 * point[f"{key}_stderr"] < 0.03 * expected, (iso, key)
        assert abs(point["dynamic_range_stops"] - kit.sensor.dynamic_range_stops(true)) < 0.03
        assert abs(point["snr_midgrey"] / kit.sensor.snr_midgrey(true) - 1) < 0.01
        assert point["saturation_source"] == ("scale" if factor < 1 else "file")
        assert not {"lossy-raw", "clipped-black"} & set(point["flags"])
        assert ("scaled-down" in point["flags"], "missing-codes" in point["flags"]) == (factor < 1, factor > 1)
