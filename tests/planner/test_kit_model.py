"""Curves of runs behind the limits: what is read, what is predicted, and what is left unknown."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from kitgauge.errors import LimitsError, ResultsError, UsageError
from kitgauge.limits.model import Limit
from kitgauge.limits.store import accept
from kitgauge.planner.command import plan_from_results
from kitgauge.planner.kit_model import KitModel, read_kit_model

KIT = {
    "name": "invented-one",
    "body": "Invented One",
    "lens": "Invented 50 mm",
    "focal_mm": 50.0,
    "focal_35mm": 75,
    "pixel_pitch_um": 4.0,
    "width_px": 6000,
    "height_px": 4000,
    "sensor_pixels": 24_000_000,
}


def noise_curves() -> dict[str, Any]:
    """Photon noise only: 12.8 % of a full well that halves per stop; SNR at mid-grey is its root."""
    points = []
    for stops in range(8):
        saturation_e = 50_000 / 2**stops
        points.append(
            {
                "iso": 100 * 2**stops,
                "channel": "G",
                "gain_e_per_dn": 4.0 / 2**stops,
                "gain_e_per_dn_stderr": 0.04 / 2**stops,
                "read_noise_e": 0.0,
                "read_noise_e_stderr": 0.1,
                "saturation_e": saturation_e,
                "snr_midgrey": math.sqrt(saturation_e * 10 / 78),
                "flags": [],
            }
        )
        points.append({**points[-1], "channel": "R", "snr_midgrey": 1.0})
    points.append({"iso": 25600, "channel": "G", "snr_midgrey": None})
    return {"schema": 1, "kit": KIT, "protocol": "noise-ladder", "noise": {"points": points}, "limits": []}


def sharpness_curves() -> dict[str, Any]:
    points = [
        {
            "f_number": 2.0**k,
            "region": region,
            "orientation": orientation,
            "channel": "G",
            "mtf50_cy_per_px": value - (0.1 if region == "left" else 0.0),
            "mtf50_cy_per_px_stderr": 0.004,
        }
        for k, value in ((1, 0.20), (2, 0.30), (3, 0.28), (4, 0.18))
        for region in ("centre", "left")
        for orientation in ("horizontal", "vertical")
    ]
    return {
        "schema": 1,
        "kit": KIT,
        "protocol": "aperture-sweep",
        "sharpness": {"points": points},
        "limits": [],
    }


def blur_curves() -> dict[str, Any]:
    fit = {
        "distribution": "weibull",
        "parameters": {
            name: {"value": value} for name, value in (("ln_scale", 1.0), ("slope", 0.5), ("ln_shape", math.log(3)))
        },
    }
    limits = [{"kind": "shutter", "technique": "standing", "focal_mm": 50.0}]
    return {"schema": 1, "kit": KIT, "protocol": "handheld-shutter", "blur": {"fit": fit}, "limits": limits}


@pytest.fixture
def results(tmp_path: Path) -> Path:
    folder = tmp_path / "results" / "invented-one"
    for name, curves in (
        ("noise-1", noise_curves()),
        ("aperture-1", sharpness_curves()),
        ("hand-1", blur_curves()),
    ):
        (folder / name).mkdir(parents=True)
        (folder / name / "curves.json").write_text(json.dumps(curves))
    unknown = math.nan
    limits = {
        "noise-1": Limit("iso", {"iso": 3200.0}, {}, unknown, unknown, {"snr": 20.0, "output_mp": 8.0}, ""),
        "aperture-1": Limit(
            "f_number",
            {"f_number_low": 4.0, "f_number_high": 9.0},
            {},
            unknown,
            unknown,
            {"mtf50_fraction": 0.9},
            "",
            lens="Invented 50 mm",
            focal_mm=50.0,
            region="centre",
        ),
        "hand-1": Limit(
            "shutter",
            {"shutter_s": 0.02},
            {},
            unknown,
            unknown,
            {"streak_px": 5.0, "keep": 0.8},
            "",
            0.1,
            focal_mm=50.0,
            technique="standing",
        ),
    }
    for run, limit in limits.items():
        accept(folder / "limits.toml", run, [limit], body="Invented One", now=datetime(2026, 5, 1, tzinfo=UTC))
    return tmp_path / "results"


def model_of(results: Path) -> KitModel:
    folder = results / "invented-one"
    return read_kit_model({name: folder / name for name in ("noise-1", "aperture-1", "hand-1")})


def test_snr_at_and_between_points_and_not_beyond(results: Path) -> None:
    model = model_of(results)
    at, error = model.snr_per_pixel(400)
    assert at == pytest.approx(math.sqrt(12_500 * 10 / 78))
    assert error / at == pytest.approx(0.5 * 0.01)  # half of the gain's 1 %: SNR is the root of the electrons
    between, _ = model.snr_per_pixel(400 * math.sqrt(2))
    assert between == pytest.approx(math.sqrt(12_500 / math.sqrt(2) * 10 / 78))  # exact for a power law
    assert math.isnan(model.snr_per_pixel(25600)[0])
    assert math.isnan(model.snr_per_pixel(50)[0])


def test_mtf50_is_of_its_lens_and_region_and_interpolated_in_log_f_number(results: Path) -> None:
    model = model_of(results)
    assert model.mtf50_at(4, None, 50, "centre")[0] == pytest.approx(0.30)
    assert model.mtf50_at(4, None, 50, "left")[0] == pytest.approx(0.20)
    value, error = model.mtf50_at(2**2.5, "Invented 50 mm", 50, "centre")
    assert value == pytest.approx(0.29)
    assert error == pytest.approx(0.5 * math.hypot(0.004, 0.004) / math.sqrt(2))
    assert math.isnan(model.mtf50_at(4, "Invented 85 mm", 50, "centre")[0])
    assert math.isnan(model.mtf50_at(4, None, 85, "centre")[0])
    assert math.isnan(model.mtf50_at(22, None, 50, "centre")[0])


def test_plan_predicts_from_the_curves(results: Path) -> None:
    plan = plan_from_results(results, None, light="ev6", focal_mm=50, distance_m=2, subject="0", technique="standing")
    # the frame is 24 mm x 16 mm by pixels and pitch
    assert plan.inputs.frame_diagonal_mm == pytest.approx(math.hypot(24, 16))
    assert plan.setting.f_number == pytest.approx(4)
    assert plan.predicted.mtf50_cy_per_px == pytest.approx(0.30)
    # SNR of the picture: that of a pixel times sqrt(24/8)
    per_pixel = math.sqrt(50_000 * 100 / plan.setting.iso * 10 / 78)
    assert plan.predicted.snr == pytest.approx(per_pixel * math.sqrt(3))
    low, high = plan.predicted.snr_interval or (math.nan, math.nan)
    assert low < plan.predicted.snr < high  # type: ignore[operator]
    # Weibull of shape 3 whose scale grows as the root of time: 1 - 0.2^((t0/t)^(3 x 0.5))
    expected = 1 - 0.2 ** ((0.02 / plan.setting.shutter_s) ** 1.5)
    assert plan.predicted.keep_rate == pytest.approx(expected)


def test_frame_size_comes_from_the_run(results: Path) -> None:
    def diagonal(**kit: object) -> tuple[float, str]:
        for name, curves in (
            ("noise-1", noise_curves()),
            ("aperture-1", sharpness_curves()),
            ("hand-1", blur_curves()),
        ):
            path = results / "invented-one" / name / "curves.json"
            path.write_text(json.dumps({**curves, "kit": {**KIT, **kit}}))
        plan = plan_from_results(results, light="ev6", technique="standing")
        return plan.inputs.frame_diagonal_mm, plan.as_dict()["basis"]["frame"]

    assert diagonal(width_px=5200, height_px=3900) == (pytest.approx(5 * 5.2), "measured run")  # 4:3, 20.8 x 15.6 mm
    # no pitch: 50 mm that act as 75 mm make a frame two thirds of 43.27 mm
    assert diagonal(pixel_pitch_um=None) == (pytest.approx(43.267 * 2 / 3, abs=0.001), "measured run")
    assert diagonal(pixel_pitch_um=None, focal_35mm=None) == (pytest.approx(43.267, abs=0.001), "common practice")


def test_another_criterion_moves_the_iso_limit_along_the_curve(results: Path) -> None:
    def limit(**request: float) -> float:
        return plan_from_results(results, light="ev6", technique="standing", **request).inputs.noise.iso_limit

    # photon noise: twice the SNR needs four times the light, twice the pixels half of the ISO
    assert limit() == pytest.approx(3200)
    assert limit(snr=40.0) == pytest.approx(800, rel=1e-6)
    assert limit(output_mp=16.0) == pytest.approx(1600, rel=1e-6)
    assert limit(snr=5.0) == pytest.approx(12800)  # the highest measured: nothing is promised beyond


def test_a_keep_rate_moves_the_shutter_along_the_fitted_curve(results: Path) -> None:
    plan = plan_from_results(results, light="ev6", technique="standing", subject="0", keep=0.95)
    assert plan.inputs.motion.hands_cap_s == pytest.approx(0.02 * (math.log(0.2) / math.log(0.05)) ** (1 / 1.5))
    assert plan.as_dict()["basis"]["hands"] == "measured run"


def test_a_missing_run_leaves_the_limit_and_no_prediction(results: Path) -> None:
    (results / "invented-one" / "aperture-1" / "curves.json").unlink()
    plan = plan_from_results(results, light="ev6", focal_mm=50, technique="standing")
    assert plan.predicted.mtf50_cy_per_px is None
    assert plan.as_dict()["basis"]["sharpness"] == "measured run"


@pytest.mark.parametrize("damage", ["", "[]", '{"schema": 1', "\x00"])
def test_damaged_curves_are_named(results: Path, damage: str) -> None:
    path = results / "invented-one" / "noise-1" / "curves.json"
    path.write_text(damage)
    with pytest.raises(ResultsError) as caught:
        plan_from_results(results, light="ev6")
    assert str(path) in caught.value.message()


@pytest.mark.parametrize(
    "odd", [{"points": [{"iso": "high", "channel": "G", "snr_midgrey": 3}]}, {"points": 7}, None, 3, []]
)
def test_odd_curves_predict_nothing(tmp_path: Path, odd: object) -> None:
    (tmp_path / "curves.json").write_text(
        json.dumps({"schema": 1, "noise": odd, "blur": odd, "sharpness": odd, "kit": odd})
    )
    model = read_kit_model({"run": tmp_path})
    assert model.noise == ()
    assert model.streaks == ()
    assert not model.mtf50


def test_which_kit(results: Path) -> None:
    with pytest.raises(UsageError, match="no accepted limits for this kit"):
        plan_from_results(results, "other", light="ev6")
    with pytest.raises(UsageError, match="not the name of a kit"):
        plan_from_results(results, "../invented-one", light="ev6")
    (results / "second").mkdir()
    (results / "second" / "limits.toml").write_text("schema = 1\n")
    with pytest.raises(UsageError, match="several kits"):
        plan_from_results(results, light="ev6")
    assert plan_from_results(results, "second", light="ev6").as_dict()["basis"]["noise"] == "common practice"


def test_no_results_folder_means_common_practice(tmp_path: Path) -> None:
    plan = plan_from_results(tmp_path / "nowhere", light="ev6")
    assert plan.as_dict()["basis"]["hands"] == "common practice"


def test_a_broken_limits_file_stops_the_plan(results: Path) -> None:
    (results / "invented-one" / "limits.toml").write_text("schema = 99\n")
    with pytest.raises(LimitsError, match="newer kitgauge"):
        plan_from_results(results, light="ev6")


def test_correlated_noise_gains_less_from_a_smaller_picture(tmp_path: Path) -> None:
    # all noise power below half the Nyquist frequency of a Bayer plane, a quarter of the sensor's: four times as dense
    # there as white noise
    power = [min(4.0, (16 / (k + 1)) ** 2) for k in range(16)]
    ends = [0.25 * (k + 1) / 16 for k in range(16)]
    point = {"channel": "G", "snr_midgrey": 20.0}
    spectrum = {"channel": "G", "frequency_cy_per_px": ends, "relative_power": power}

    def model(*entries: dict[str, object]) -> KitModel:
        noise = {"points": [{**point, "iso": iso} for iso in (400, 1600)], "spectrum": list(entries)}
        (tmp_path / "curves.json").write_text(json.dumps({"schema": 1, "kit": KIT, "noise": noise}))
        return read_kit_model({"run": tmp_path})

    smooth = model({**spectrum, "iso": 400, "white": False}, {**spectrum, "iso": 1600, "white": True})
    assert smooth.snr_per_pixel(400)[0] == pytest.approx(20.0)
    # 24 to 1.5 MP: the picture keeps a quarter of the sensor's frequencies, all of them in the dense half
    assert smooth.picture_scale(400, 1.5, 24e6) == pytest.approx(4 / 2)
    assert smooth.picture_scale(1600, 1.5, 24e6) == pytest.approx(4.0)
    assert smooth.picture_scale(800, 1.5, 24e6) == pytest.approx(4 / math.sqrt(2))  # half way in log ISO
    assert smooth.picture_scale(100, 1.5, 24e6) == pytest.approx(2.0)
    assert smooth.picture_scale(400, 6.0, 24e6) == pytest.approx(2.0)  # all frequencies of the plane
    assert model().picture_scale(400, 1.5, 24e6) == pytest.approx(4.0)
    # what makes no sense is passed over
    broken = ({**spectrum, "relative_power": power[:5]}, {**spectrum, "relative_power": ["x"] * 16}, {"iso": 400})
    assert model(*({"iso": 400, "white": False, **entry} for entry in broken)).picture_scale(400, 1.5, 24e6) == 4.0


def test_a_smaller_picture_of_correlated_noise_moves_the_iso_limit_less(results: Path) -> None:
    # all noise power below half the Nyquist frequency of a plane
    power = [min(4.0, (16 / (k + 1)) ** 2) for k in range(16)]
    entry = {"channel": "G", "frequency_cy_per_px": [0.25 * (k + 1) / 16 for k in range(16)], "relative_power": power}
    curves = noise_curves()
    curves["noise"]["spectrum"] = [{**entry, "iso": 100 * 2**k, "white": False} for k in range(8)]
    (results / "invented-one" / "noise-1" / "curves.json").write_text(json.dumps(curves))

    def limit(**request: float) -> float:
        return plan_from_results(results, light="ev6", technique="standing", **request).inputs.noise.iso_limit

    assert limit() == pytest.approx(3200)
    # 8 MP: sqrt(24 / 8) = 1.73 pixels a side, share 2 / 1.73 = 1.155; along one axis 2 - sqrt(power below 0.845) = 1
    # of a period in 1.155: density 1 / 1.155^2. 1.5 MP: the whole dense half, density 4
    gain = (8 / 1.5) * (1 / (2 / math.sqrt(3)) ** 2) / 4
    assert limit(snr=40.0, output_mp=1.5) == pytest.approx(3200 / 4 * gain, rel=2e-3)
    plan = plan_from_results(results, light="ev6", technique="standing", output_mp=1.5)
    value, low, high = plan.inputs.noise.snr(1600)
    assert value == pytest.approx(math.sqrt(50_000 / 16 * 10 / 78) * math.sqrt(24 / 1.5 / 4)) and low < value < high


def test_what_a_limit_asks_of_a_shadow_is_told(results: Path) -> None:
    path = results / "invented-one" / "limits.toml"
    text = path.read_text()
    changed = text.replace("output_mp = 8.0", "output_mp = 8.0, shadow_stops = 4.0, shadow_snr = 3.0")
    assert changed != text
    path.write_text(changed)
    plan = plan_from_results(results, light="ev6", technique="standing")
    assert "SNR 20 in a picture of 8 MP and 3 in a shadow 4 stops below mid-grey" in plan.inputs.noise.because.text


def test_sharpness_is_predicted_at_the_ends_of_the_sweep(results: Path) -> None:
    def written(key: str | None) -> KitModel:
        content = sharpness_curves()
        for point in content["sharpness"]["points"]:
            # f/2.8 and f/22 are the ends: 2^(3/2) and 2^(9/2), marked 1 % and 3 % lower
            marked, exact = {2.0: (2.8, 2**1.5), 16.0: (22, 2**4.5)}.get(point["f_number"], (point["f_number"],) * 2)
            point["f_number"] = marked
            if key:
                point[key] = exact
        (results / "invented-one" / "aperture-1" / "curves.json").write_text(json.dumps(content))
        return model_of(results)

    for model in (written(None), written("f_number_exact")):
        assert model.mtf50_at(2**1.5, None, 50, "centre")[0] == pytest.approx(0.20)
        assert model.mtf50_at(2**4.5, None, 50, "centre")[0] == pytest.approx(0.18)
    model = written("f_number_exact")
    assert model.f_numbers(None, 50)[0] == pytest.approx(2**1.5)


def test_iso_values_are_exact(tmp_path: Path) -> None:
    points = [{"iso": iso, "channel": "G", "snr_midgrey": snr} for iso, snr in ((125, 40.0), (6400, 5.0))]
    (tmp_path / "curves.json").write_text(json.dumps({"schema": 1, "kit": KIT, "noise": {"points": points}}))
    model = read_kit_model({"run": tmp_path})
    assert model.noise[0][0] == pytest.approx(100 * 2 ** (1 / 3))  # what a dial marked 125 does
    assert model.snr_per_pixel(100 * 2 ** (1 / 3))[0] == pytest.approx(40.0)


def test_a_plan_stays_within_what_was_measured(results: Path) -> None:
    # the noise ladder ends at ISO 12800 (25600 has no noise), the aperture sweep begins at f/2
    plan = plan_from_results(results, light="ev-3", focal_mm=50, technique="standing", subject="moving")
    assert plan.as_dict()["settings"]["iso"] == 12800
    assert plan.as_dict()["settings"]["f_number"] == 2
    assert plan.as_dict()["basis"]["camera"] == "measured run"
    text = " ".join(plan.text().split())
    assert "camera: measured run: ISO 100 to 12800, f/2 and up were measured; the plan goes no further" in text


@pytest.mark.parametrize(
    ("run", "keys", "value"),
    [
        ("noise-1", ("kit", "pixel_pitch_um"), -4.0),
        ("noise-1", ("kit", "pixel_pitch_um"), 1e-300),
        ("noise-1", ("kit", "sensor_pixels"), 10**400),
        ("noise-1", ("kit", "width_px"), 1e200),
        ("noise-1", ("kit", "focal_35mm"), 1e300),
        ("noise-1", ("noise", "points", 0, "iso"), 1e300),
        ("noise-1", ("noise", "points", 0, "snr_midgrey"), 1e300),
        ("noise-1", ("noise", "points", 0, "snr_midgrey"), 10**400),
        ("aperture-1", ("sharpness", "points", 0, "f_number"), 1e200),
        ("aperture-1", ("sharpness", "points", 0, "mtf50_cy_per_px"), 1e-300),
        ("aperture-1", ("sharpness", "points", 0, "mtf50_cy_per_px_stderr"), 1e300),
        ("aperture-1", ("schema",), 2),
        ("aperture-1", ("schema",), "1"),
    ],
)
def test_impossible_numbers_in_a_run_are_named(
    results: Path, run: str, keys: tuple[str | int, ...], value: object
) -> None:
    path = results / "invented-one" / run / "curves.json"
    content = json.loads(path.read_text())
    inner: Any = content
    for key in keys[:-1]:
        inner = inner[key]
    inner[keys[-1]] = value
    path.write_text(json.dumps(content))
    with pytest.raises(ResultsError) as caught:
        plan_from_results(results, light="ev6", technique="standing")
    assert str(path) in caught.value.message()
    assert str(keys[-1]) in caught.value.message()
    assert "fix:" in caught.value.message()


@pytest.mark.parametrize("damage", ["[" * 100_000, '{"schema": 1, "kit": ' + "1" * 5000 + "}"])
def test_curves_beyond_what_json_is_read_to(results: Path, damage: str) -> None:
    (results / "invented-one" / "noise-1" / "curves.json").write_text(damage)
    with pytest.raises(ResultsError, match="JSON"):
        plan_from_results(results, light="ev6")


@pytest.mark.parametrize(("name", "value"), [("slope", 1e300), ("ln_shape", 1e300), ("ln_shape", -1e300)])
def test_a_blur_fit_beyond_people_is_not_used(results: Path, name: str, value: float) -> None:
    path = results / "invented-one" / "hand-1" / "curves.json"
    content = json.loads(path.read_text())
    content["blur"]["fit"]["parameters"][name]["value"] = value
    path.write_text(json.dumps(content))
    assert model_of(results).streaks == ()
    assert plan_from_results(results, light="ev6", technique="standing").predicted.keep_rate is not None


def test_a_fact_of_zero_is_an_unknown_one(results: Path) -> None:
    for name in ("noise-1", "aperture-1", "hand-1"):
        path = results / "invented-one" / name / "curves.json"
        content = json.loads(path.read_text())
        zeros = dict.fromkeys(("focal_mm", "focal_35mm", "pixel_pitch_um", "width_px", "height_px", "sensor_pixels"), 0)
        path.write_text(json.dumps({**content, "kit": {**KIT, **zeros}}))
    plan = plan_from_results(results, light="ev6", focal_mm=50, technique="standing")
    assert plan.as_dict()["basis"]["frame"] == "common practice"
