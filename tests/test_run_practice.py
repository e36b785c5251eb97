"""Practice series from files to pages: what is measured is true, and what is not known is said to be unknown."""

from __future__ import annotations

import json
import math
import re

import numpy as np
import pytest
from PIL import Image
from practice_series import practice_kit, shoot_aperture, shoot_iso, shoot_shutter

import kitgauge
from kitgauge.frames.opening import open_frame
from kitgauge.ingest.scene_blur_frames import scene_frame
from kitgauge.measure.blur.scene_blur import measure_scene_streak
from kitgauge.measure.blur.scene_reference import scene_reference
from kitgauge.report.page import write_report
from kitgauge.simulate.everyday import disc_px

F_NUMBERS = (2.0, 2.0**1.5, 4.0, 2.0**2.5, 8.0)
ISOS = (100.0, 800.0, 6400.0)


@pytest.fixture(scope="module")
def shutter(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shutter")
    truth = shoot_shutter(folder / "frames")
    run = kitgauge.run("practice-shutter", folder / "frames", out=folder / "out", use_cache=False)
    return run, truth


@pytest.fixture(scope="module")
def aperture(tmp_path_factory):
    folder = tmp_path_factory.mktemp("aperture")
    truth = shoot_aperture(folder / "frames", F_NUMBERS)
    run = kitgauge.run("practice-aperture", folder / "frames", out=folder / "out", use_cache=False)
    return run, truth


@pytest.fixture(scope="module")
def iso(tmp_path_factory):
    folder = tmp_path_factory.mktemp("iso")
    shoot_iso(folder / "frames", ISOS)
    return kitgauge.run("practice-iso", folder / "frames", out=folder / "out", use_cache=False)


def rows_of(run) -> dict[str, dict]:
    return {row["file"]: row for row in run.curves["practice"]["frames"]}


def page_of(run) -> str:
    return (run.folder / "report.html").read_text(encoding="utf-8")


def words(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", re.sub(r"(?s)<style>.*?</style>", "", page)).split()).replace("\xa0", " ")


def test_blur_of_what_stands_still_is_true_beside_a_thing_that_moves(shutter):
    run, truth = shutter
    rows = rows_of(run)
    (sharpest,) = {row["relative_to"] for row in rows.values()}
    measured = 0
    for file, row in rows.items():
        expected = math.sqrt(max(truth[file].streak_px ** 2 - truth[sharpest].streak_px ** 2, 0.0))
        if row["relative_streak_px"] is not None:
            measured += 1
            assert abs(row["relative_streak_px"] - expected) < 1.0 + 0.15 * expected, file
        elif row["relative_censored"] == "below":
            assert expected < row["relative_bound_px"] + 0.3, file
    slow = [file for file in rows if truth[file].path.exists() and rows[file]["shutter_s"] > 0.05]
    assert measured >= 1 and all(rows[file]["relative_streak_px"] for file in slow)


def test_a_reference_that_holds_the_moving_thing_tells_hands_wrongly(shutter):
    run, truth = shutter
    rows = rows_of(run)
    (sharpest,) = {row["relative_to"] for row in rows.values()}
    naive = scene_reference([scene_frame(open_frame(truth[sharpest].path))])
    worst_naive = worst = 0.0
    for file in [file for file, row in rows.items() if row["shutter_s"] > 0.05]:
        streak = measure_scene_streak(scene_frame(open_frame(truth[file].path)), naive).streak_px
        off = abs(streak - truth[file].streak_px) / truth[file].streak_px if math.isfinite(streak) else math.inf
        worst_naive = max(worst_naive, off)
        worst = max(worst, abs(rows[file]["relative_streak_px"] - truth[file].streak_px) / truth[file].streak_px)
    assert worst < 0.2 < worst_naive


def test_the_moving_thing_is_found_and_its_blur_grows(shutter):
    run, truth = shutter
    rows = rows_of(run)
    radius = 0.15 * practice_kit().shape[1]
    for file, row in rows.items():
        part = next(part for part in row["pictures"]["parts"] if part["place"] == "moving")
        away = math.hypot(part["x_px"] - truth[file].thing_x_px, part["y_px"] - truth[file].thing_y_px)
        assert away < radius + 0.5 * truth[file].thing_streak_px, file
    middle = [row for row in rows.values() if 0.01 < row["shutter_s"] < 0.03]
    expected = [truth[row["file"]].thing_streak_px for row in middle]
    for row, streak in zip(middle, expected, strict=True):
        assert 0.5 * streak < row["moving_streak_px"] < 1.5 * streak
    slow = [row for row in rows.values() if row["shutter_s"] > 0.05]
    assert all(row["moving_streak_px"] is None and row["moving_over_px"] > 10 for row in slow)


def test_noise_between_iso_values_is_that_of_the_sensor(iso):
    sensor = practice_kit().sensor
    rows = list(rows_of(iso).values())
    assert [row["iso"] for row in rows] == [100, 800, 6400]

    def relative(exact_iso: float, reflectance: float) -> float:
        # electrons of a wall at its level (mid-grey of 0.18 at 10/78 of the labelled range), shot and read noise, and
        # what differs from pixel to pixel (EMVA 1288: PRNU), green response 1
        electrons = reflectance / 0.18 * 10 / 78 * sensor.labelled_range_e(exact_iso)
        variance = electrons + sensor.read_noise_e(exact_iso) ** 2 + (0.006 * electrons) ** 2
        return math.sqrt(variance) / electrons

    for key, wall in (("noise_light_stops", 0.55), ("noise_dark_stops", 0.06)):
        for row in rows[1:]:
            expected = math.log2(relative(row["iso"], wall) / relative(100.0, wall))
            assert abs(row[key] - expected) < 0.3, (key, row["iso"])
    assert rows[0]["noise_stops"] == 0 and rows[0]["noise_stops_stderr"] is None
    # the scatter of a whole frame would tell nothing: it is the scene's
    plain = [open_frame(iso.records[k].path).samples.astype(float) for k in (0, -1)]
    naive = math.log2(np.std(plain[1]) / np.std(plain[0]))
    assert abs(naive) < 0.5 < rows[-1]["noise_stops"] - 1.5


def test_brightness_is_compared_in_stops(iso, shutter):
    assert all(abs(row["brightness_stops"]) < 0.12 for row in rows_of(iso).values())
    run, truth = shutter
    rows = list(rows_of(run).values())
    for row in rows:
        expected = truth[row["file"]].level_stops - truth[rows[0]["file"]].level_stops
        assert abs(row["brightness_stops"] - expected) < 0.12


def test_the_share_of_sharp_places_follows_the_blur_discs(aperture):
    run, truth = aperture
    practice = run.curves["practice"]
    rows = practice["frames"]
    tall, wide = practice["grid"]
    columns = np.arange(tall * wide) % wide
    below = np.arange(tall * wide) // wide >= 2  # the walls, and the tiles across their lower edge, lie above
    thirds = [below & (columns < wide // 3), below & (columns == wide // 2), below & (columns > 2 * wide // 3)]
    for row in rows:
        discs = truth[row["file"]].discs_px
        states = np.array(list(row["depth_map"]))
        for disc, inside in zip(discs, thirds, strict=True):
            judged = states[inside & np.isin(states, ["s", "u"])]
            assert judged.size >= 4
            share = np.mean(judged == "s")
            if disc < 0.7 * practice["sharp_px"]:
                assert share > 0.8, (row["file"], disc)
            elif disc > 1.4 * practice["sharp_px"]:
                assert share < 0.2, (row["file"], disc)
    shares = [row["sharp_share"] for row in rows]
    assert shares[0] < 0.5 and shares[-1] > shares[0] + 0.2


def test_a_place_that_is_never_sharp_is_not_called_sharp_where_it_is_least_blurred(tmp_path):
    shoot_aperture(tmp_path / "frames", (2.0, 2.0**1.5, 4.0), distances_m=(0.9, 2.0, 2.0))
    run = kitgauge.run("practice-aperture", tmp_path / "frames", out=tmp_path / "out", use_cache=False, report=False)
    practice = run.curves["practice"]
    assert disc_px(practice_kit(), 4.0, 0.9, 2.0) > 3 * practice["sharp_px"]
    wide = practice["grid"][1]
    last = np.array(list(practice["frames"][-1]["depth_map"])).reshape(-1, wide)[2:, : wide // 3 - 1]
    assert np.count_nonzero(last == "u") >= 3
    # by comparison with each place's own best frame alone, all of these would be sharp
    assert not np.any(last == "s")


def test_pages_show_the_learners_frames_and_hide_answers_until_asked(shutter, aperture, iso):
    for run, places in (
        (shutter[0], ("What moves", "What stands still")),
        (aperture[0], ("What is in focus", "What is out of focus at first")),
        (iso, ("Fine detail", "A dark part")),
    ):
        page = page_of(run)
        assert len(page) < 5_000_000 and "<script" not in page
        frames = len(run.curves["practice"]["frames"])
        assert page.count('src="data:image/jpeg;base64,') >= 3 * frames
        assert all(f">{place}</h4>" in page for place in places)
        assert "http" not in re.sub(r'src="data:[^"]*"', "", page).replace("https://www.w3.org", "")
        questions = re.findall(
            r'<details class="question">\s*<summary>(.*?)</summary>(.*?)</details>', page, flags=re.S
        )
        asked = run.curves["practice"]["questions"]
        assert len(questions) == len(asked) + 1 == 4
        # nothing that answers stands before the questions, but for the settings
        before = words(page.split('<details class="question">', 1)[0])
        assert not re.search(r"\d px|stops (more|less)|sharp;|noise", before)


def test_answers_come_from_these_frames(shutter, aperture, iso):
    text = words(page_of(shutter[0]))
    assert "The movement first shows at 1/60 s" in text
    assert "The still things are first soft at 1/8 s" in text
    noise = rows_of(shutter[0])
    last = list(noise.values())[-1]["noise_stops"]
    assert f"({abs(last):.1f} stops)" in text or f"Noise: {abs(last):.1f} stops less." in text
    text = words(page_of(aperture[0]))
    assert "From f/2 to f/8 the lens lets 4 stops less light in; your shutter time changed by 4 stops" in text
    text = words(page_of(iso))
    assert "From ISO 100 to ISO 6400 are 6 stops; your shutter speed became 6 stops faster" in text
    assert "In the dark parts" in text


def test_the_report_is_built_again_from_the_run_folder_alone(shutter):
    run, _ = shutter
    before = page_of(run)
    (run.folder / "report.html").unlink()
    write_report(run.folder)
    assert page_of(run) == before
    assert sorted(path.name for path in (run.folder / "pictures").iterdir())[0] == "01-moving.jpg"
    assert "jpeg" not in (run.folder / "curves.json").read_text()


def test_crops_show_the_frame_pixel_by_pixel(aperture):
    run, truth = aperture
    row = run.curves["practice"]["frames"][0]
    part = row["pictures"]["parts"][0]
    seen = np.asarray(Image.open(run.folder / part["picture"]).convert("L"), dtype=float)
    assert seen.shape == (part["height_px"], part["width_px"]) == (240, 240)
    green = scene_frame(open_frame(truth[row["file"]].path))
    rows, columns = practice_kit().shape
    left = min(max(part["x_px"] - 120, 0), columns - 240)
    top = min(max(part["y_px"] - 120, 0), rows - 240)
    own, _ = green.crop(top, left, 240, 240)
    assert np.corrcoef(np.sqrt(np.maximum(own, 0)).ravel(), seen.ravel())[0, 1] > 0.97
    assert part["box"] == pytest.approx([left / columns, top / rows, (left + 240) / columns, (top + 240) / rows])


def test_jpeg_of_any_camera_works_and_is_said_to_be_developed(tmp_path):
    truth = shoot_shutter(tmp_path / "frames", jpeg=True, each=1)
    run = kitgauge.run("practice-shutter", tmp_path / "frames", out=tmp_path / "out", use_cache=False)
    rows = rows_of(run)
    assert set(rows) == set(truth) and run.curves["kit"]["developed"]
    text = words(page_of(run))
    assert "These are developed pictures" in text
    noise = [row["noise_stops"] for row in rows.values()]
    assert noise[0] == 0 and noise[-1] < -1.0


def test_turned_frames_are_shown_upright(tmp_path):
    shoot_iso(tmp_path / "frames", (100.0, 1600.0), jpeg=True)
    for path in (tmp_path / "frames").iterdir():
        picture = Image.open(path)
        exif = picture.getexif()
        exif[0x0112] = 6
        picture.save(path, quality=92, exif=exif)
    run = kitgauge.run("practice-iso", tmp_path / "frames", out=tmp_path / "out", use_cache=False, report=False)
    row = run.curves["practice"]["frames"][0]
    whole = Image.open(run.folder / row["pictures"]["whole"]["picture"])
    assert whole.size == (213, 320)
    # the walls, light and dark, are above as stored: shown upright they stand on the right, the light one on top
    seen = np.asarray(whole.convert("L"), dtype=float)
    assert seen[20:140, -20:].mean() > 2 * seen[180:300, -20:].mean()


def test_frames_without_metadata_are_named_and_the_rest_goes_on(tmp_path):
    shoot_iso(tmp_path / "frames", (100.0, 800.0), jpeg=True)
    Image.open(tmp_path / "frames" / "IMG_0001.JPG").save(tmp_path / "frames" / "sent.jpg")
    run = kitgauge.run("practice-iso", tmp_path / "frames", out=tmp_path / "out", use_cache=False)
    (left,) = [record for record in run.records if record.status == "unmatched"]
    assert left.file == "sent.jpg" and "no ISO is known" in left.reason
    assert "no ISO is known: give it with --settings" in words(page_of(run))


def test_one_frame_of_another_scene_is_told_apart(tmp_path):
    shoot_iso(tmp_path / "frames", (100.0, 400.0, 1600.0), jpeg=True)
    path = tmp_path / "frames" / "IMG_0002.JPG"
    picture = Image.open(path)
    picture.transpose(Image.Transpose.FLIP_LEFT_RIGHT).transpose(Image.Transpose.FLIP_TOP_BOTTOM).save(
        path, quality=92, exif=picture.getexif()
    )
    run = kitgauge.run("practice-iso", tmp_path / "frames", out=tmp_path / "out", use_cache=False)
    rows = rows_of(run)
    assert not rows["IMG_0002.JPG"]["laid_on_others"] and rows["IMG_0002.JPG"]["noise_stops"] is None
    assert rows["IMG_0003.JPG"]["noise_stops"] > 1
    text = words(page_of(run))
    assert "IMG_0002.JPG: shows another part of the scene" in text
    assert "this frame could not be lined up with the others" in text


def test_one_frame_alone_gives_a_page_that_says_so(tmp_path):
    shoot_iso(tmp_path / "frames", (100.0,), jpeg=True)
    run = kitgauge.run("practice-iso", tmp_path / "frames", out=tmp_path / "out", use_cache=False)
    assert "One frame alone shows no difference" in words(page_of(run))


def test_a_second_run_decodes_nothing(tmp_path, monkeypatch):
    monkeypatch.setenv("KITGAUGE_CACHE", str(tmp_path / "cache"))
    shoot_iso(tmp_path / "frames", (100.0, 800.0), jpeg=True)
    first = kitgauge.run("practice-iso", tmp_path / "frames", out=tmp_path / "a", report=False)
    again = kitgauge.run("practice-iso", tmp_path / "frames", out=tmp_path / "b", report=False)
    assert first.frames_decoded > 0 and again.frames_decoded == 0
    assert json.dumps(first.curves["practice"]) == json.dumps(again.curves["practice"])
