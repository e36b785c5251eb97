"""The tables of a card against numbers worked out by hand."""

from __future__ import annotations

import math
import re

import pytest
from card_kits import LENS, ZOOM, highest_iso, sharp, shutter, write_kit, write_many

from kitgauge.card.kit import MOST_FOCALS, Optic, read_card_kit
from kitgauge.card.tables import depth_tables, iso_table, light_table, reach_text, sharp_table, shutter_table
from kitgauge.errors import UsageError


def texts(table):
    return [[cell.marked for cell in row] for row in table.rows]


def test_slowest_shutter_is_measured_at_its_focal_length_and_scaled_at_others(card_kit):
    table = shutter_table(card_kit)
    assert table.columns == ("Focal length", "seated <i>low</i>", "standing")
    # measured at 50 mm: 0.05 s and 0.02 s; in thirds not slower: 2^(-13/3) = 0.0496 s and 2^(-17/3) = 0.0197 s.
    # At 100 mm half of them, by angle: 2^(-16/3) = 0.0248 s and 2^(-20/3) = 0.0098 s
    assert texts(table) == [["50 mm", "1/20 s ●", "1/50 s ●"], ["100 mm", "1/40 s ◐", "1/100 s ◐"]]
    assert "80 %" in table.notes[0]


def test_slowest_shutter_by_common_practice(tmp_path):
    table = shutter_table(read_card_kit(tmp_path, focals_mm=(50, 200)))
    # 1/(focal length) s: in thirds not slower than 1/50 s = 0.02 is 2^(-17/3) = 0.0197, than 1/200 s is 2^(-23/3)
    assert texts(table) == [["50 mm", "1/50 s ○"], ["200 mm", "1/200 s ○"]]
    assert "handheld" in table.columns


def test_sharp_f_numbers_per_lens(card_kit):
    rows = texts(sharp_table(card_kit))
    assert [LENS, "whole frame, 90\N{NO-BREAK SPACE}% of the best", "f/2.8 to f/9 ●"] in rows
    assert [row[2] for row in rows if row[0] == f"70 mm, {ZOOM}"] == ["f/5.6 to f/11 ●"]
    # between 70 and 200 mm, log-linear: share ln(100/70)/ln(200/70) = 0.3397, low 5.6^0.6603 * 8^0.3397 = 6.32
    assert [row[2] for row in rows if row[0] == f"100 mm, {ZOOM}"] == ["f/6.3 to f/11 ◐"]


def test_highest_iso_by_size_of_picture(card_kit):
    # measured ISO 4500 at 8 MP; without a curve SNR goes with the root of pixels per picture pixel: 4500 * 8/2 = 18000
    # and 4500 * 8/17 = 2118; in thirds not above: 16127 (16000), 4032 (4000), 2016 (2000)
    assert texts(iso_table(card_kit)) == [
        ["2 MP: full-HD screen", "ISO 16000 ◐"],
        ["8 MP: 4K screen, A4 print", "ISO 4000 ●"],
        ["17 MP: A3 print", "ISO 2000 ◐"],
    ]


def test_depth_of_field_against_the_handbook(tmp_path):
    """near = s(H-f)/(H+s-2f), far = s(H-f)/(H-s), H = f^2/(N c) + f (thin lens, handbooks; from memory)."""
    (table,) = depth_tables(read_card_kit(tmp_path, focals_mm=(50.0,)))
    assert table.columns[1] == "f/4"
    circle = math.hypot(36, 24) / 1500
    checked = 0
    for row in table.rows:
        s = float(row[0].text.removesuffix(" m")) * 1000
        hyperfocal = 50**2 / (4 * circle) + 50
        near = s * (hyperfocal - 50) / (hyperfocal + s - 100) / 1000
        far = s * (hyperfocal - 50) / (hyperfocal - s) / 1000
        shown = [float(value) for value in row[1].text.split("–")]
        # at f/4 diffraction takes less than two per cent of what defocus may add; the table rounds to 0.01 m
        assert shown == pytest.approx([near, far], rel=0.012, abs=0.006)
        checked += 1
    assert checked == 6


def test_reach_in_words():
    tie = "\N{NO-BREAK SPACE}"
    assert reach_text(1.104, 10.78) == f"1.10{tie}to{tie}10.8{tie}m"
    assert reach_text(2.0, math.inf) == f"2.00{tie}to{tie}∞"
    assert reach_text(0.4991, 0.5009) == f"0.499{tie}to{tie}0.501{tie}m".replace("0.499", "0.50", 0)
    assert reach_text(3.0, 20197.0, unit=False) == "3.00–>1000"
    assert reach_text(2.0, 2.0, unit=False) == "–"
    assert "not quite sharp" in reach_text(2.0, 2.0)


def test_light_table_exposes_and_says_what_is_short(tmp_path):
    kit = read_card_kit(tmp_path, focals_mm=(50.0,))
    table = light_table(kit, Optic(None, 50.0))
    tie = "\N{NO-BREAK SPACE}"
    by_ev = {row[0].text.split(":")[0]: row for row in table.rows}
    assert by_ev["8"][1].text == f"1/60{tie}f/4 ISO{tie}400"
    # 1/1000 s, f/4 at EV 8: ISO 100 * 16 * 1024 / 256 = 6400, one stop above the usual 3200
    assert by_ev["8"][3].text == f"1/1000{tie}f/4 ISO{tie}6400 \N{MINUS SIGN}1.0"
    marks = re.compile(r"(?:1/)?[\d.]+(?:\N{NO-BREAK SPACE}s)?\N{NO-BREAK SPACE}f/[\d.]+ ISO\N{NO-BREAK SPACE}\d+")
    assert all(marks.match(cell.text) for row in table.rows for cell in row[1:])
    assert any("common practice" in note for note in table.notes)


def test_focal_lengths_default_to_the_measured_ones(tmp_path):
    measured = [14.0, 20.0, 28.0, 40.0, 50.0, 60.0, 85.0, 90.0, 130.0, 300.0]
    kit = read_card_kit(write_many(tmp_path))
    assert [optic.focal_mm for optic in kit.optics] == measured
    assert kit.notes == ()


def test_few_measured_ones_are_filled_up_with_the_usual(tmp_path):
    kit = read_card_kit(write_kit(tmp_path, [sharp("Only Lens", 85.0, 2.0, 11.0), shutter(85.0, 0.01, "standing")]))
    focals = [optic.focal_mm for optic in kit.optics]
    assert 85.0 in focals and 50.0 in focals and len(focals) == 4
    assert [optic.lens for optic in kit.optics if optic.focal_mm == 85.0] == ["Only Lens"]
    assert {optic.lens for optic in kit.optics if optic.focal_mm != 85.0} == {None}
    # depth of field is told for the measured lens alone
    assert len(depth_tables(kit)) == 1


def test_a_zoom_measured_at_many_focal_lengths_is_thinned_and_says_so(tmp_path):
    limits = [sharp("Long Zoom", float(focal), 4.0, 11.0) for focal in range(100, 400, 10)]
    kit = read_card_kit(write_kit(tmp_path, limits))
    assert len(kit.optics) == MOST_FOCALS
    assert kit.optics[0].focal_mm == 100 and kit.optics[-1].focal_mm == 390
    assert "30 focal lengths" in kit.notes[0]


def test_a_lens_by_name_in_any_capitals(kit_results):
    kit = read_card_kit(kit_results, lenses=[ZOOM.upper()])
    assert {optic.lens for optic in kit.optics} == {ZOOM}
    assert [optic.focal_mm for optic in kit.optics] == [70.0, 200.0]
    with pytest.raises(UsageError, match="this lens was not measured"):
        read_card_kit(kit_results, lenses=["Another"])


def test_a_lens_whose_name_tells_the_focal_length_is_not_said_twice():
    assert Optic("Sampler 14 mm f/1.8", 14.0).label == "Sampler 14 mm f/1.8"
    assert Optic("Sampler 114 mm", 14.0).label == "14 mm, Sampler 114 mm"
    assert Optic("Zoom 24-70 mm", 70.0).label == "70 mm, Zoom 24-70 mm"
    assert Optic(None, 35.0).label == "35 mm"


def test_an_iso_limit_alone_makes_a_card(tmp_path):
    kit = read_card_kit(write_kit(tmp_path, [highest_iso(3200.0)]))
    assert texts(shutter_table(kit))[0][1].endswith("○")
    assert texts(sharp_table(kit)) == [["any lens", "not measured", "f/4 to f/11 ○"]]
    assert ["8 MP: 4K screen, A4 print", "ISO 3200 ●"] in texts(iso_table(kit))
