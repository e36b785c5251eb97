"""What the command says: sentences, the table, the page, exit codes; directions and places as the picture is shown."""

from __future__ import annotations

import json
import re
import sys

import pytest
from everyday_frames import Blur, scene, write_frame, write_jpeg

from kitgauge import cli
from kitgauge.review.words import shown_direction, shown_place


def run_cli(monkeypatch, capsys, *arguments):
    monkeypatch.setattr(sys, "argv", ["kitgauge", *map(str, arguments)])
    code = cli._exit_code()
    out = capsys.readouterr()
    return code, out.out, out.err


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("frames")
    light = scene("leaves", Blur())
    write_frame(folder / "a<b>.DNG", light)
    write_jpeg(folder / "a<b>.JPG", light)
    write_frame(folder / "b.DNG", scene("leaves", Blur(motion=(9.0, 25.0))), minute=1)
    return folder


def test_one_frame_is_a_letter(folder, tmp_path, monkeypatch, capsys):
    code, out, _ = run_cli(monkeypatch, capsys, "review", folder / "b.DNG", "--results", tmp_path)
    assert code == 0
    text = " ".join(out.split())
    assert "b.DNG: blurred by motion" in text
    assert "1/30 s, f/4, ISO 800, 85 mm; Invented Box, Invented 85 mm." in text
    assert re.search(r"Motion of [89]\.\d ± \d\.\d px, rising to the left at 2\d degrees", text)
    assert "Headroom left in stops" in text
    assert "no JPEG beside the raw file" in text
    assert re.search(r"Next: 1/\d+ s, f/4, ISO \d+: .* stops faster", text)
    assert all(len(line) <= 80 for line in out.splitlines())


def test_a_folder_is_a_table_worst_first_and_a_page(folder, tmp_path, monkeypatch, capsys):
    page = tmp_path / "page.html"
    code, out, _ = run_cli(monkeypatch, capsys, "review", folder, "--results", tmp_path, "--out", page)
    assert code == 0
    assert out.index("b.DNG") < out.index("a<b>.DNG")
    html = page.read_text(encoding="utf-8")
    assert html.count("data:image/jpeg;base64,") == 2
    assert "a&lt;b&gt;.DNG" in html and "<b>.DNG" not in html
    assert not re.search(r"(src|href)=\"(?!data:)", html)  # self-contained


def test_json_is_all_there_is_on_standard_output(folder, tmp_path, monkeypatch, capsys):
    code, out, _ = run_cli(monkeypatch, capsys, "review", folder / "b.DNG", "--results", tmp_path, "--json")
    assert code == 0
    (frame,) = json.loads(out)["frames"]
    assert frame["sharpness"]["cause"] == "motion"
    assert set(frame["next"][0]["setting"]) == {"shutter_s", "f_number", "iso"}


def test_exit_codes_tell_partial_from_nothing(tmp_path, monkeypatch, capsys):
    mixed = tmp_path / "mixed"
    mixed.mkdir()
    (mixed / "bad.DNG").write_bytes(b"nonsense")
    code, out, err = run_cli(monkeypatch, capsys, "review", mixed, "--results", tmp_path)
    assert code == 1
    assert "bad.DNG" in out + err
    write_frame(mixed / "good.DNG", scene("leaves", Blur()))
    code, out, _ = run_cli(monkeypatch, capsys, "review", mixed, "--results", tmp_path)
    assert code == 3
    assert "Not reviewed: bad.DNG" in out
    code, _, err = run_cli(monkeypatch, capsys, "review", tmp_path / "gone.dng")
    assert code == 2
    assert "no such file or folder" in err


@pytest.mark.parametrize(
    ("orientation", "shown"),
    # motion at 20 degrees down to the right in the file; Exif orientations as the standard draws them
    [(1, 160.0), (2, 20.0), (3, 160.0), (4, 20.0), (6, 70.0), (8, 70.0), (5, 110.0), (7, 110.0)],
)
def test_directions_are_those_of_the_picture_as_shown(orientation, shown):
    assert shown_direction(20.0, orientation) == pytest.approx(shown)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_places_are_turned_as_the_picture_is(orientation):
    """The same turning of a picture with one bright pixel says where it must be."""
    import numpy as np

    from kitgauge.frames.shown import upright

    picture = np.zeros((20, 30, 3), np.uint8)
    picture[4, 24] = 255
    turned = upright(picture, orientation)
    row, column = np.argwhere(turned[..., 0])[0]
    x, y = shown_place((24 + 0.5) / 30, (4 + 0.5) / 20, orientation)
    assert ((column + 0.5) / turned.shape[1], (row + 0.5) / turned.shape[0]) == pytest.approx((x, y))
