"""The page of a practice run from its files: safe with damaged ones, and honest about what is unknown."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from report_samples import curves_record, frame, run_record, write_run

from kitgauge.report.page import write_report
from kitgauge.report.practice_answers import answer, movement_begins

JPEG = bytes.fromhex("ffd8ffe000104a46494600010100000100010000ffd9")


def row(file: str, shutter_s: float, **values) -> dict:
    parts = [{"place": "moving", **picture("01-moving"), "box": [0.1, 0.1, 0.4, 0.4], "x_px": 10, "y_px": 20}]
    return {
        "file": file, "step": "1/60", "role": "scene", "iso": 400, "shutter_s": shutter_s, "f_number": 5.6,
        "focal_35mm": 50, "settings_ev100": 8.0, "level_stops_below_saturation": 2.4, "clipped_share": 0.0,
        "near_black_share": 0.0, "flags": [], "laid_on_others": True, "brightness_stops": 0.0, "noise_stops": 0.0,
        "pictures": {"whole": picture("01-whole"), "parts": parts}, **values,
    }  # fmt: skip


def picture(name: str) -> dict:
    return {"picture": f"pictures/{name}.jpg", "width_px": 240, "height_px": 240}


def practice(rows, **values) -> dict:
    questions = [{"text": "Where does it begin?", "answer": "where-blur-begins"}, {"text": "Pretty?", "answer": "none"}]
    return {
        "setting": "shutter_s", "questions": questions, "frames": rows, "places": ["moving"], "sharp_px": 2.8,
        "grid": [6, 9], "depth_tiles": None, "noise_blocks": 60, "moves": True, **values,
    }  # fmt: skip


def run_of(folder: Path, content: dict) -> Path:
    rows = content.get("frames") or []
    names = [str(r.get("file")) for r in rows if isinstance(r, dict)]
    frames = [frame(name, role="scene", step="1/60") for name in names]
    run = write_run(
        folder, run_record("practice-shutter", measures="practice"), curves_record("practice-shutter"), frames
    )
    path = run / "curves.json"
    path.write_text(json.dumps({**json.loads(path.read_text()), "practice": content}))
    (run / "pictures").mkdir()
    for name in ("01-moving", "01-whole"):
        (run / "pictures" / f"{name}.jpg").write_bytes(JPEG)
    return run


def page_of(run: Path) -> str:
    return write_report(run).read_text(encoding="utf-8")


def test_questions_fold_their_answers_and_the_eye_has_its_own(tmp_path):
    blurred = {"relative_streak_px": 14.2, "relative_streak_px_stderr": 0.7}
    rows = [row("a.jpg", 1 / 500, relative_to="a.jpg"), row("b.jpg", 1 / 8, relative_to="a.jpg", **blurred)]
    page = page_of(run_of(tmp_path, practice(rows)))
    folded = re.findall(r'<details class="question">.*?</details>', page, flags=re.S)
    assert len(folded) == 3 and "open" not in page.split("<body>")[1].split("<details")[1].split(">")[0]
    assert "first soft at 1/8" in folded[0] and "about 14" in folded[0] and "Only your eye can tell" in folded[1]
    assert page.count("data:image/jpeg;base64,") == 4


@pytest.mark.parametrize(
    "name",
    [
        "../secret.jpg",
        "/etc/passwd",
        "pictures/../../secret.jpg",
        "pictures/missing.jpg",
        "pictures/01-whole.png",
        7,
        None,
    ],
)
def test_names_that_lead_elsewhere_show_nothing(tmp_path, name):
    (tmp_path / "secret.jpg").write_bytes(JPEG)
    rows = [row("a.jpg", 1 / 500), row("b.jpg", 1 / 8)]
    for one in rows:
        one["pictures"]["whole"]["picture"] = name
        one["pictures"]["parts"] = []
    page = page_of(run_of(tmp_path / "run", practice(rows)))
    assert "data:image" not in page


def test_what_is_no_jpeg_of_ours_is_not_shown(tmp_path):
    run = run_of(tmp_path, practice([row("a.jpg", 1 / 500), row("b.jpg", 1 / 8)]))
    (run / "pictures" / "01-whole.jpg").write_bytes(b"<svg onload=alert(1)>")
    (run / "pictures" / "01-moving.jpg").write_bytes(JPEG + b"\0" * 300_000)
    assert "data:image" not in page_of(run)


def test_markup_in_names_is_escaped(tmp_path):
    rows = [row("<b>a</b>.jpg", 1 / 500), row("b.jpg", 1 / 8)]
    content = practice(rows)
    content["questions"][0]["text"] = "<i>Where?</i>"
    page = page_of(run_of(tmp_path, content))
    assert "<b>a</b>" not in page and "<i>Where?</i>" not in page and "&lt;i&gt;Where?&lt;/i&gt;" in page


@pytest.mark.parametrize(
    "damage",
    [
        {"frames": [None, 3, {"file": None}]},
        {"frames": [{"file": "a.jpg", "pictures": "no", "shutter_s": "slow", "depth_map": 5}]},
        {"places": "moving"},
        {"places": None},
        {"grid": ["a", 2], "sharp_px": None},
        {"questions": [None, {"text": None, "answer": 9}]},
        {"setting": "colour"},
        {"exercises": [None, {"frames": [], "plan": "yes"}, {"plan": {"settings": 3}, "frames": [{"file": "a.jpg"}]}]},
    ],
    ids=str,
)
def test_damaged_results_give_a_page_and_no_traceback(tmp_path, damage):
    page = page_of(run_of(tmp_path, practice([row("a.jpg", 1 / 500), row("b.jpg", 1 / 8)]) | damage))
    assert "</html>" in page


def test_movement_begins_at_the_fastest_speed_from_which_on_all_slower_show_it():
    def moved(shutter_s, px):
        return {"file": f"{shutter_s}", "shutter_s": shutter_s, "moving_streak_px": px}

    # one frame of noise at the fastest speed is no movement: its twin and the next speed are sharp
    rows = [moved(1 / 1000, 9.0), moved(1 / 1000, 0.0), moved(1 / 250, 2.0), moved(1 / 60, 12.0), moved(1 / 15, 40.0)]
    assert movement_begins(rows, 2.8)["shutter_s"] == 1 / 60
    assert movement_begins(rows[:3], 2.8) is None
    naive = next(one for one in rows if one["moving_streak_px"] > 5.6)
    assert naive["shutter_s"] == 1 / 1000


@pytest.mark.parametrize(
    ("kind", "said"),
    [
        ("where-blur-begins", "could not be measured"),
        ("noise-of-fast-frames", "noise could not be measured"),
        ("where-depth-begins", "could not be measured"),
        ("sharpest-in-focus", "could not be compared"),
        ("where-noise-shows", "could not be measured"),
        ("how-much-noise", "could not be measured"),
        ("time-for-depth", "a phone's lens has only one"),
        ("speed-for-iso", "All frames have one ISO"),
        ("why-the-plan-differs", "nothing to compare with"),
    ],
)
def test_what_is_not_known_is_said(kind, said):
    rows = [{"file": "a", "shutter_s": 0.01, "f_number": 1.8, "iso": 100}, {"file": "b", "shutter_s": 0.1, "iso": 100}]
    assert said in " ".join(answer(kind, {"frames": rows, "sharp_px": 2.8}))


def test_every_answer_that_a_protocol_may_ask_for_is_there():
    from typing import get_args

    from kitgauge.protocol.model import Answer

    for kind in get_args(Answer):
        found = answer(kind, {"frames": [{"file": "a"}, {"file": "b"}], "sharp_px": 2.8})
        assert (found == []) == (kind == "none")
        assert all("nan" not in sentence.lower().split() for sentence in found)


def test_the_f_number_with_the_most_in_focus_is_told_before_diffraction_takes_it():
    shares = {2.0: 0.35, 8.0: 0.97, 22.0: 0.05}
    rows = [{"file": str(n), "f_number": n, "iso": 100, "shutter_s": 0.01, "sharp_share": s} for n, s in shares.items()]
    said = " ".join(answer("where-depth-begins", {"frames": rows, "sharp_px": 2.8}))
    assert "At f/2, 35 %" in said and "The most are sharp at f/8: 97 %" in said and "diffraction" in said
    assert "diffraction" not in " ".join(answer("where-depth-begins", {"frames": rows[:2], "sharp_px": 2.8}))
