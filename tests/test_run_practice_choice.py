"""The whole choice: a learner's settings beside the planner's, from files to the page."""

from __future__ import annotations

import math
import re

import pytest
from practice_series import practice_kit

import kitgauge
from kitgauge.errors import IngestError
from kitgauge.runs.practice_subject import subject_of_folder
from kitgauge.simulate.everyday import EverydayScene, EverydayShot, shoot_everyday


def tries(folder, settings, *, light=8.0, seed=8, jpeg=True, kit=None):
    shots = [EverydayShot(iso, shutter_s, f_number, True) for iso, shutter_s, f_number in settings]
    return shoot_everyday(kit or practice_kit(), EverydayScene(light_ev100=light), shots, folder, seed=seed, jpeg=jpeg)


def words(run) -> str:
    page = (run.folder / "report.html").read_text(encoding="utf-8")
    return " ".join(re.sub(r"<[^>]+>", " ", page).split()).replace("\xa0", " ").replace("\N{NON-BREAKING HYPHEN}", "-")


@pytest.fixture(scope="module")
def chosen(tmp_path_factory):
    folder = tmp_path_factory.mktemp("choice")
    # a moving subject wants 1/250 s (common practice): the first try is 3 stops too slow, the second one stop
    tries(folder / "frames" / "moving 3m", [(400.0, 1 / 32, 2.0**2.5), (1600.0, 1 / 128, 2.0**2.5)], seed=8)
    tries(folder / "frames" / "my dog", [(400.0, 1 / 32, 2.0**2.5)], seed=9)
    return kitgauge.run("practice-choice", folder / "frames", out=folder / "out", use_cache=False)


def test_differences_from_the_plan_are_in_stops(chosen):
    exercise, dog = chosen.curves["practice"]["exercises"]
    assert (exercise["folder"], exercise["subject"], exercise["near_m"]) == ("moving 3m", "moving", 3.0)
    first, second = exercise["tries"].values()
    # 1/30 is 1/32 s, 1/250 is 1/256 s; 1/125 is 1/128 s
    assert first["shutter_stops"] == pytest.approx(3.0) and second["shutter_stops"] == pytest.approx(1.0)
    assert exercise["plan"]["settings"]["shutter_s"] == pytest.approx(1 / 250)
    f_plan = exercise["plan"]["settings"]["f_number"]
    assert first["aperture_stops"] == pytest.approx(2 * math.log2(2.0**2.5 / f_plan), abs=0.1)
    assert second["iso_stops"] - first["iso_stops"] == pytest.approx(2.0)
    iso_plan = exercise["plan"]["settings"]["iso"]
    for one, iso, shutter in ((first, 400, 3.0), (second, 1600, 1.0)):
        expected = shutter + abs(2 * math.log2(2.0**2.5 / f_plan)) + abs(math.log2(iso / iso_plan))
        assert one["away_stops"] == pytest.approx(expected, abs=0.15)  # marked values lie up to 0.04 stops off
    assert dog["plan"] is None and "does not say whether the subject is still, moving or fast" in dog["reason"]
    assert chosen.status == "partial" and "my dog" in chosen.reason


def test_the_light_is_that_of_the_scene(chosen):
    exercise = chosen.curves["practice"]["exercises"][0]
    # the scene's mean reflectance is not that of a grey card: within a stop of the true light
    assert abs(exercise["light_ev100"] - 8.0) < 1.0


def test_the_page_explains_and_says_whether_the_correction_came_closer(chosen):
    text = words(chosen)
    assert "A moving subject at 3 m (folder moving 3m)" in text
    assert "Your 1/30 s: 3 stops slower. The plan: 1/250 s" in text
    first, second = (one["away_stops"] for one in chosen.curves["practice"]["exercises"][0]["tries"].values())
    assert first - second > 1.0
    assert f"your correction came closer by {first - second:.1f} stops" in text.replace("by 4 stops", "by 4.0 stops")
    assert "What you changed: 2 stops faster and 2 stops of more ISO" in text
    assert "is taken from common practice" in text
    assert "There is nothing to compare with" in text
    assert text.index("first try") < text.index("What limits your first choice most")


def test_the_folder_given_may_be_the_subjects_own(tmp_path):
    tries(tmp_path / "still 2m", [(400.0, 1 / 32, 2.0**2.5)])
    run = kitgauge.run("practice-choice", tmp_path / "still 2m", out=tmp_path / "out", use_cache=False)
    (exercise,) = run.curves["practice"]["exercises"]
    assert exercise["subject"] == "still" and exercise["plan"] and run.status == "complete"
    assert "One frame alone shows no difference" in words(run)


def test_a_phone_has_no_aperture_to_choose(tmp_path):
    kit = practice_kit(pitch_um=1.2, make="Invented", model="Pocket")
    tries(tmp_path / "frames" / "still 2m", [(100.0, 1 / 16, 2.0), (400.0, 1 / 64, 2.0)], light=5.0, kit=kit)
    run = kitgauge.run("practice-choice", tmp_path / "frames", out=tmp_path / "out", use_cache=False)
    (exercise,) = run.curves["practice"]["exercises"]
    assert exercise["fixed_aperture"] and exercise["plan"]["settings"]["f_number"] == pytest.approx(2.0)
    text = words(run)
    assert "whose lens has one f-number" in text and "through the lens" not in text.split("What you changed")[0]


def test_accepted_limits_are_looked_for_in_the_results_folder(tmp_path, monkeypatch):
    from kitgauge.runs import practice_choice

    asked = []
    monkeypatch.setattr(practice_choice, "known_kits", lambda results: asked.append(results) or [])
    tries(tmp_path / "frames" / "moving 3m", [(400.0, 1 / 32, 2.0**2.5)])
    kitgauge.run(
        "practice-choice", tmp_path / "frames", out=tmp_path / "out", results=tmp_path / "mine", use_cache=False
    )
    assert asked == [tmp_path / "mine"]


@pytest.mark.parametrize(
    ("folder", "subject", "near_m", "far_m", "tripod"),
    [
        ("moving 3m", "moving", 3.0, 3.0, False),
        ("a/b/still_2-4m_tripod", "still", 2.0, 4.0, True),
        ("fast 15 m the gull", "fast", 15.0, 15.0, False),
        ("Still 50cm", "still", 0.5, 0.5, False),
        ("still 1,5m to 3m", "still", 1.5, 3.0, False),
        ("moving", "moving", None, None, False),
        ("day 2 moving 4m", "moving", 4.0, 4.0, False),
        ("still 3 minutes", "still", None, None, False),
    ],
)
def test_a_folder_names_subject_and_distance(folder, subject, near_m, far_m, tripod):
    asked = subject_of_folder(folder)
    assert (asked.subject, asked.tripod, asked.problem) == (subject, tripod, "")
    assert asked.near_m == (None if near_m is None else pytest.approx(near_m))
    assert asked.far_m == (None if far_m is None else pytest.approx(far_m))


@pytest.mark.parametrize(
    ("folder", "problem"),
    [("still moving 3m", "two words"), ("still 4-2m", "from far to near"), ("fast 0m", "not possible")],
)
def test_names_that_contradict_themselves_are_told(folder, problem):
    assert problem in subject_of_folder(folder).problem


def test_frames_without_any_settings_are_one_clear_error(tmp_path):
    from PIL import Image

    (tmp_path / "moving 3m").mkdir()
    picture = Image.effect_noise((400, 300), 60)
    picture.save(tmp_path / "moving 3m" / "sent.jpg")
    with pytest.raises(IngestError) as caught:
        kitgauge.run("practice-choice", tmp_path, out=tmp_path / "out", use_cache=False)
    assert "no ISO and no shutter speed known" in caught.value.got
