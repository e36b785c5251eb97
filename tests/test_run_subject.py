"""A moving subject through DNG files and the public functions: speed, freezing shutter and interval against truth.

Truth: the subject's movement integrated over each exposure, and over many exposures for the population's limit.
"""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from developed_charts import save_developed
from typer.testing import CliRunner

import kitgauge
from kitgauge.cli import app
from kitgauge.errors import KitgaugeError, UsageError
from kitgauge.fit.blur.blur_shutter import fit_blur
from kitgauge.fit.blur.streak_families import SUBJECTS
from kitgauge.limits.commands import accept_run, show_limits
from kitgauge.limits.criteria import Criteria
from kitgauge.planner.command import plan_from_results
from kitgauge.protocol.loading import load_protocol
from kitgauge.protocol.shot_list import shot_list
from kitgauge.runs.subject import checked_name
from kitgauge.simulate.lens import Lens
from kitgauge.simulate.model import SimulatedKit
from kitgauge.simulate.sheet_scene import PlacedSheet
from kitgauge.simulate.subjects import Pendulum, SubjectScene, Turning, shoot_subject
from kitgauge.target.layout import design_for, sheet_layout

KIT = replace(SimulatedKit(), lens=replace(Lens(), focal_mm=21.6), shape=(720, 1080), iso_range=(100.0, 1600.0))
REST = PlacedSheet(sheet_layout(design_for(297.0, 210.0), 1), 1500.0)
STREAK_PX = 2.0
PROTOCOL = """
schema = 1
id = "short-subject"
title = "A moving subject, in few frames"
purpose = "Tests."
measures = "blur"
cautions = ["Hang it from something that holds ten times its weight."]
[sweep]
setting = "shutter_s"
values = "full-stops"
lowest = "1/250"
highest = "1/30"
[[step]]
role = "tripod"
frames = 3
at = ["middle"]
[step.exposure]
f_number = 5.6
balanced_by = "iso"
[[step]]
role = "subject"
frames = 6
[step.exposure]
f_number = 5.6
balanced_by = "iso"
"""


def photographed(tmp_path_factory, subject, markers=True, **options):
    """Return the truth by file and the run of one simulated subject."""
    folder = tmp_path_factory.mktemp("subject")
    (folder / "protocol.toml").write_text(PROTOCOL)
    scene = SubjectScene(KIT, REST, subject, markers)
    shots = shot_list(load_protocol(folder / "protocol.toml").protocol, KIT.camera_range).shots
    truth = {item.file: item for item in shoot_subject(scene, shots, folder / "frames", seed=5)}
    run = kitgauge.run(
        folder / "protocol.toml", folder / "frames", results=folder / "results", workers=1, use_cache=False,
        criteria=Criteria(streak_px=STREAK_PX), **options,
    )  # fmt: skip
    return scene, truth, run


@pytest.fixture(scope="module")
def swinging(tmp_path_factory):
    return photographed(tmp_path_factory, Pendulum(1000.0, 3.0), subject_name=" Swinging  lamp ")


@pytest.fixture(scope="module")
def turning(tmp_path_factory):
    return photographed(tmp_path_factory, Turning(6.0, 1.5), markers=False)


def rows_of(run):
    return [row for row in run.curves["blur"]["frames"] if row["role"] == "subject"]


def test_streaks_and_speeds_are_true(swinging):
    scene, truth, run = swinging
    assert run.status == "complete"
    for row in rows_of(run):
        true = truth[row["file"]]
        if row["censored"] is not None:
            assert row["censored"] == "below"
            assert true.streak_px < max(row["bound_px"], 0.5)
            assert row["speed_px_per_s"] is None
            continue
        assert row["streak_px"] == pytest.approx(true.streak_px, rel=0.02, abs=0.12)
        mm_per_s = true.middle_streak_mm / true.shutter_s
        assert row["speed_mm_per_s"] == pytest.approx(mm_per_s, rel=0.03, abs=0.12 / true.shutter_s * row["mm_per_px"])
        # the angle of a pixel: its pitch over the image distance, f (1 + m)
        mrad = 1000.0 * row["streak_px"] / scene.camera.focal_px / true.shutter_s
        assert row["speed_mrad_per_s"] == pytest.approx(mrad, rel=0.02)
    assert any(row["found_by"] == "markers" for row in rows_of(run))


def test_freezing_shutter_against_the_whole_population(swinging):
    """The subject's own limit: the time at which 8 of 10 random moments of the swing streak by 2 px at most."""
    scene, truth, run = swinging
    (limit,) = run.limits
    starts = (np.arange(2000) + 0.5) / 2000 * scene.subject.period_s
    px_per_mm = 1000.0 * 21.6 / (1500.0 - 21.6) / KIT.pitch_um

    def share(time):
        """Move along the arc itself, 101 even moments an exposure; streak = sqrt(12 variance)."""
        moments = starts[:, None] + (np.arange(101) + 0.5) / 101 * time
        angle = math.radians(3.0) * np.sin(2.0 * math.pi * moments / scene.subject.period_s)
        variance = (1000.0 * np.sin(angle)).var(axis=1) + (1000.0 * np.cos(angle)).var(axis=1)
        return np.mean(np.sqrt(12.0 * variance) * px_per_mm <= STREAK_PX)

    low, high = 1 / 1000, 1 / 30
    for _ in range(10):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if share(middle) >= 0.8 else (low, middle)
    assert abs(math.log2(limit.value["shutter_s"] / low)) < 3.0 * limit.stderr_stops
    assert limit.stderr_stops < 0.4
    assert limit.ci_low < limit.value["shutter_s"] < limit.ci_high
    # the share of that error that measuring adds: the same fit to the true streaks
    known = [truth[row["file"]] for row in rows_of(run)]
    ideal = fit_blur(
        [item.shutter_s for item in known], [item.streak_px for item in known], [1e-3] * len(known),
        [None] * len(known), [math.nan] * len(known), families=SUBJECTS,
    ).limit(0.8, STREAK_PX)  # fmt: skip
    assert abs(math.log2(limit.value["shutter_s"] / ideal.shutter_s)) < 0.1


def test_speed_at_the_subject_is_told_with_its_distance(swinging):
    scene, _, run = swinging
    (limit,) = run.limits
    # |cos| of an even phase: its 80 % quantile is sin(0.8 x 90 degrees); the fastest speed is amplitude x sqrt(g l)
    true = math.radians(3.0) * math.sqrt(9806.65 * 1000.0) * math.sin(0.8 * math.pi / 2)
    low, high = limit.extra["speed_mm_per_s_ci"]
    assert low < limit.extra["speed_mm_per_s"] < high
    assert abs(math.log2(limit.extra["speed_mm_per_s"] / true)) < 3.0 * limit.stderr_stops
    assert limit.extra["distance_m"] == pytest.approx(1.5, rel=0.01)
    assert limit.extra["mm_per_px"] == pytest.approx(1500.0 / scene.camera.focal_px, rel=2e-3)
    assert limit.extra["subject"] == "Swinging lamp"
    assert "Swinging lamp" in limit.text
    assert "mm/s" in limit.text


def test_report_shows_common_practice_speeds_and_cautions(swinging):
    run = swinging[2]
    page = (run.folder / "report.html").read_text()
    for words in ("common practice, no source", "Swinging lamp", "How fast the subject moved", "ten times its weight"):
        assert words in page
    for words in ("birds in flight", "a nodding head"):
        assert words in page


def test_turn_is_told_apart_and_without_markers_mm_are_unknown(turning):
    _, truth, run = turning
    told = [row for row in rows_of(run) if row["turn_rad_per_s"]]
    assert len(told) > 5
    for row in told:
        true = truth[row["file"]]
        error = row["turn_rad_per_s_stderr"]
        assert row["turn_rad_per_s"] == pytest.approx(true.turn_rad / true.shutter_s, abs=4 * error, rel=0.03)
        assert row["streak_px"] == pytest.approx(true.streak_px, rel=0.05, abs=0.12)
        # the middle stands still
        assert row["translation_px"] is None or row["translation_px"] < 0.35 * true.streak_px + 0.3
    assert {row["found_by"] for row in rows_of(run)} == {"pattern"}
    assert all(row["speed_mm_per_s"] is None for row in rows_of(run))
    notes = " ".join(run.notes)
    assert "known in pixels only" in notes
    assert "--subject-name" in notes
    assert "Turning during the exposure" in (run.folder / "report.html").read_text()


def test_named_subject_is_accepted_and_planned_with(swinging):
    run = swinging[2]
    results = run.folder.parent.parent
    accept_run(run.folder, results, None, replace=False)
    assert "Swinging lamp" in show_limits(results, None)
    asked = {"light": "ev12", "technique": "tripod", "subject": "swinging LAMP"}
    here = plan_from_results(results, **asked, focal_mm=21.6, distance_m=1.5)
    limit_s = run.limits[0].value["shutter_s"]
    assert here.inputs.motion.subject_cap_s == pytest.approx(limit_s, rel=0.01)
    assert here.basis["subject"].basis == "measured run"
    there = plan_from_results(results, **asked, focal_mm=50.0, distance_m=2.0)
    # by hand: image speed goes with f / (d - f); the streak allowed on the sensor is the same
    faster = (50.0 / (2000.0 - 50.0)) / (21.6 / (1500.0 - 21.6))
    # ln s = a + b (1 - exp(-g x)) / g, x = ln(t / t0), is to fall by ln of that factor
    fit = run.curves["blur"]["fit"]
    slope, bend = (fit["parameters"][name]["value"] for name in ("slope", "bend"))
    curved = math.exp(-bend * math.log(limit_s / fit["reference_shutter_s"])) + bend * math.log(faster) / slope
    cap_s = fit["reference_shutter_s"] * math.exp(-math.log(curved) / bend)
    assert there.inputs.motion.subject_cap_s == pytest.approx(cap_s, rel=2e-3)
    assert there.basis["subject"].basis == "scaled"
    with pytest.raises(UsageError, match="Swinging lamp"):
        plan_from_results(results, **{**asked, "subject": "lamp"}, focal_mm=50.0)


@pytest.mark.parametrize("name", ["", "  ", "still", "FAST", "1400", "x" * 61, "a\nb\x00"])
def test_names_that_a_plan_could_not_ask_for(name):
    with pytest.raises(UsageError, match="not a name for a subject"):
        checked_name(name)


def test_names_and_distances_belong_to_moving_subjects(tmp_path):
    for options in (["--subject-name", "head"], ["--distance-m", "2"]):
        done = CliRunner().invoke(app, ["run", "noise-ladder", str(tmp_path), *options])
        assert isinstance(done.exception, KitgaugeError)
        assert "no moving subject" in done.exception.message()
    done = CliRunner().invoke(app, ["run", "subject-motion", str(tmp_path), "--distance-m", "-1"])
    assert isinstance(done.exception, UsageError)


def test_everything_told_is_plain(swinging):
    json.dumps(swinging[2].curves, allow_nan=False)


def test_developed_pictures_and_a_distance_given_by_hand(tmp_path):
    """JPEG without markers in view: flagged, and mm/s by --distance-m, through the public command."""
    (tmp_path / "protocol.toml").write_text(PROTOCOL)
    scene = SubjectScene(KIT, REST, Pendulum(1000.0, 3.0), markers=False)
    rng, truth = np.random.default_rng(3), {}
    times = [(None, 1 / 64)] * 3 + [(float(rng.uniform(0, 2)), t) for t in (1 / 128, 1 / 64, 1 / 32) for _ in range(3)]
    for number, (start, exposure_s) in enumerate(times):
        role = "tripod" if start is None else "subject"
        light = 0.5 * scene.picture(start, exposure_s).astype(float)
        light = light + 0.004 * np.sqrt(np.maximum(light, 0.0)) * rng.standard_normal(light.shape)
        settings = {
            "iso": 100,
            "f_number": 5.6,
            "shutter_s": {128: 1 / 125, 64: 1 / 60, 32: 1 / 30}[round(1 / exposure_s)],
        }
        name = f"{role}/P{number:04d}.JPG"
        save_developed(tmp_path / "in" / name, light, bits=8, second=4 * number, **settings)
        truth[name] = scene.truth(name, role, start, exposure_s)
    sheet = tmp_path / "settings.csv"
    sheet.write_text("file,focal_mm\n" + "".join(f"{name},21.6\n" for name in truth))
    arguments = ["run", str(tmp_path / "protocol.toml"), str(tmp_path / "in"), "--out", str(tmp_path / "out")]
    options = [
        "--pitch-um",
        str(KIT.pitch_um),
        "--distance-m",
        "1.5",
        "--subject-name",
        "pendulum",
        "--settings",
        str(sheet),
    ]
    done = CliRunner().invoke(app, [*arguments, *options, "--criterion", "streak_px=3"])
    assert done.exit_code in (0, 3), done.output
    curves = json.loads((tmp_path / "out" / "curves.json").read_text(encoding="utf-8"))
    assert curves["kit"]["developed"] is True
    assert curves["blur"]["subject"]["mm_per_px_from"] == "distance"
    # thin lens: (d - f) / f times the pitch
    mm_per_px = KIT.pitch_um / 1000.0 * (1500.0 - 21.6) / 21.6
    assert curves["blur"]["subject"]["mm_per_px"] == pytest.approx(mm_per_px, rel=1e-6)
    rows = [row for row in curves["blur"]["frames"] if row["role"] == "subject"]
    assert len(rows) == 9
    assert all("rendered" in row["flags"] for row in rows)
    known = [row for row in rows if row["streak_px"]]
    assert len(known) >= 6
    for row in known:
        true = truth[row["file"]]
        assert row["streak_px"] == pytest.approx(true.streak_px, rel=0.03, abs=0.15)
        mm_per_s = true.middle_streak_mm / true.shutter_s
        assert row["speed_mm_per_s"] == pytest.approx(mm_per_s, rel=0.04, abs=0.15 / true.shutter_s * mm_per_px)
    assert all("rendered" in limit["flags"] for limit in curves["limits"])
