"""What the report shows of sharpness: ceiling, MTF curves, maps, crops, findings, halos, refused edges."""

from __future__ import annotations

import html
import json
import math
import re
from pathlib import Path
from typing import Any

import pytest
from report_samples import F_NUMBERS, KIT, sharpness_run

from kitgauge.report.contact_sheet import contact_sheet
from kitgauge.report.frame_map import colour_map, places_of, refused_map, sharpness_map
from kitgauge.report.page import write_report
from kitgauge.report.plots_mtf import mtf_pictures
from kitgauge.report.plots_sharpness import sharpness_pictures
from kitgauge.report.sharpness_tables import (
    apertures_table,
    findings_table,
    halo_table,
    refused_edges_table,
    sharpness_table,
)
from kitgauge.report.sharpness_text import halo_sentences, sharpness_letter


@pytest.fixture
def curves(tmp_path: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((sharpness_run(tmp_path) / "curves.json").read_text(encoding="utf-8"))
    return found


def placed_words(svg: str) -> list[tuple[str, float, float]]:
    """Return (text, x, y) of every text of a figure, in points from its top left."""
    found = []
    for given, body in re.findall(r"<text([^>]*)>(.*?)</text>", svg, re.DOTALL):
        place = re.search(r'x="(-?[\d.]+)" y="(-?[\d.]+)"', given) or re.search(
            r"translate\((-?[\d.]+) (-?[\d.]+)\)", given
        )
        if place:
            found.append((html.unescape(re.sub(r"<[^>]+>", "", body)), float(place.group(1)), float(place.group(2))))
    return found


def words(svg: str) -> list[str]:
    return [word for word, _, _ in placed_words(svg)]


def test_a_run_shows_curves_mtf_maps_and_refused_edges(curves: dict[str, Any]) -> None:
    names = [p.name for p in sharpness_pictures(curves["sharpness"], curves["limits"], curves["kit"])]
    assert names == [
        "sharpness-aperture", "sharpness-sides", "sharpness-mtf-centre", "sharpness-mtf-bottom-right", "sharpness-map",
        "sharpness-map-widest", "sharpness-colour-map", "sharpness-refused-map",
    ]  # fmt: skip


def test_an_older_run_shows_what_it_has(tmp_path: Path) -> None:
    old = json.loads((sharpness_run(tmp_path, laboratory=False) / "curves.json").read_text(encoding="utf-8"))
    names = [p.name for p in sharpness_pictures(old["sharpness"], old["limits"], old["kit"])]
    assert names[:2] == ["sharpness-aperture", "sharpness-sides"] and all("map" in name for name in names[2:])
    assert contact_sheet(old["sharpness"]) is None and halo_table(old["sharpness"]) is None
    write_report(tmp_path)


def test_the_ceiling_is_drawn_without_a_fit_where_the_pitch_is_known(curves: dict[str, Any]) -> None:
    curves["sharpness"]["fit"] = {}
    first, *_ = sharpness_pictures(curves["sharpness"], curves["limits"], KIT)
    assert "ceiling: diffraction, pixel" in words(first.svg) and "hatched" in first.caption
    alone, *_ = sharpness_pictures(curves["sharpness"], curves["limits"], {})
    assert "ceiling: diffraction, pixel" not in words(alone.svg) and "hatched" not in alone.caption


def test_mtf_is_drawn_at_three_apertures_each_under_its_own_ceiling(curves: dict[str, Any]) -> None:
    centre, corner = mtf_pictures(curves["sharpness"]["mtf_curves"], 4.3)
    for shown in (centre, corner):
        assert sum(word.startswith("f/") for word in words(shown.svg)) == 3
        assert sum(word.startswith("most possible at f/") for word in words(shown.svg)) == 3
    assert "corner" in corner.title and "two pixels per line pair" in centre.caption
    bare, _ = mtf_pictures(curves["sharpness"]["mtf_curves"], math.nan)
    assert not any("possible" in word for word in words(bare.svg)) and "grey" not in bare.caption


@pytest.mark.parametrize("broken", [{"mtf": [1.0]}, {"mtf": None}, {"frequency_cy_per_px": "x"}, {"f_number": None}])
def test_a_damaged_mtf_curve_is_left_out(curves: dict[str, Any], broken: dict[str, Any]) -> None:
    rows = [{**curves["sharpness"]["mtf_curves"][0], **broken}]
    assert mtf_pictures(rows, 4.3) == []


def test_map_has_a_number_in_every_circle_and_figures_below(curves: dict[str, Any]) -> None:
    points = curves["sharpness"]["points"]
    shown = sharpness_map(points, F_NUMBERS[2], "why", 1.5, "map")
    assert shown is not None
    found = placed_words(shown.svg)
    numbers = [(x, y) for word, x, y in found if re.fullmatch(r"\d+", word)]
    assert len(numbers) == 9 and "100" in words(shown.svg)
    assert words(shown.svg).count("best") == words(shown.svg).count("lowest") == 1
    for x, y in numbers:
        below = [b for word, a, b in found if "│." in word and "─." in word and abs(a - x) < 60 and 10 < b - y < 60]
        assert len(below) == 1
    assert "best place here" in shown.caption


def test_directions_count_alike_at_a_place() -> None:
    rows = [
        {"f_number": 4.0, "x_norm": 0.5, "y_norm": 0.5, "orientation": o, "mtf50_cy_per_px": v}
        for o, v in (("vertical", 0.30), ("vertical", 0.32), ("horizontal", 0.21))
    ]
    (place,) = places_of(rows, 4.0)
    assert place.mtf50 == pytest.approx((0.31 + 0.21) / 2) and place.figures == "│.310 ─.210"


def test_crowded_places_keep_their_numbers_only() -> None:
    rows = [
        {"f_number": 4.0, "x_norm": 0.05 + 0.13 * k, "y_norm": 0.5, "orientation": "vertical", "mtf50_cy_per_px": 0.3}
        for k in range(7)
    ]
    shown = sharpness_map(rows, 4.0, "why", 1.5, "map")
    assert shown is not None
    assert sum(bool(re.fullmatch(r"\d+", word)) for word in words(shown.svg)) == 7
    assert not any("│" in word for word in words(shown.svg)) and "│" not in shown.caption


def test_arrows_of_colour_carry_their_sizes(curves: dict[str, Any]) -> None:
    shown = colour_map(curves["sharpness"]["colour"]["lateral"], 1.5)
    assert shown is not None
    said = words(shown.svg)
    assert sum(word.startswith("R ") for word in said) == sum(word.startswith("B ") for word in said) == 9
    # outermost places lie 0.38 and 0.36 from the middle, in shares of width and height
    size = 0.4 * math.hypot(0.38, 0.36) / 0.53
    assert said.count(f"R {size:.2f}") == 4
    assert "1 px" in said  # the next round length over the longest, 0.6 px
    assert colour_map({}, 1.5) is None and colour_map({"R": {"places": [{"x_norm": 0.1}]}}, 1.5) is None


def test_refused_edges_are_shown_where_they_lie_with_reason_and_advice(curves: dict[str, Any]) -> None:
    refused = curves["sharpness"]["edges_refused"]
    shown = refused_map(refused, (6000, 4000))
    assert shown is not None
    places = {word: (x, y) for word, x, y in placed_words(shown.svg) if word in ("a", "b", "c")}
    assert set(places) == {"a", "b", "c"}
    assert places["a"][0] < places["b"][0] < places["c"][0] and places["a"][1] < places["b"][1] < places["c"][1]
    assert "a: the edge is too short" in shown.caption
    assert refused_map(refused, (math.nan, math.nan)) is None and refused_map([], (6000, 4000)) is None
    table = refused_edges_table(curves["sharpness"])
    assert table is not None and len(table.rows) == 3 and all(row[3] != "–" for row in table.rows)


def test_crops_stand_side_by_side_from_wide_to_small(curves: dict[str, Any]) -> None:
    curves["sharpness"]["crops"].reverse()
    sheet = contact_sheet(curves["sharpness"])
    assert sheet is not None and [strip.heading for strip in sheet.strips] == ["Bottom-right corner", "Centre"]
    for strip in sheet.strips:
        assert len(strip.crops) == len(F_NUMBERS)
        headings = [float(crop.heading.removeprefix("f/")) for crop in strip.crops]
        assert headings == sorted(headings)
        assert all(crop.width_px == crop.height_px == 96 and "1/60 s" in crop.lines for crop in strip.crops)
        assert sum("sharpest in the centre" in crop.lines for crop in strip.crops) == 1
    assert "all at ISO 100" in sheet.caption and "worst corner" in sheet.caption


@pytest.mark.parametrize("bad", ["", "no base64!", "aGVsbG8=", None, 3])
def test_what_is_no_picture_is_not_shown(curves: dict[str, Any], bad: object) -> None:
    for crop in curves["sharpness"]["crops"]:
        crop["png"] = bad
    assert contact_sheet(curves["sharpness"]) is None


def test_the_page_shows_crops_at_their_own_size(tmp_path: Path) -> None:
    page = write_report(sharpness_run(tmp_path)).read_text(encoding="utf-8")
    assert page.count('width="96" height="96"') == 2 * len(F_NUMBERS)
    assert "image-rendering: pixelated" in page


def test_findings_are_told_in_the_letter_and_counted_in_a_table(curves: dict[str, Any]) -> None:
    letter = sharpness_letter(curves["sharpness"])
    assert letter is not None and letter.lens == ("The bottom-right corner is 11 % softer than the other corners.",)
    table = findings_table(curves["sharpness"])
    assert table is not None
    assert table.rows[0][:3] == ("weak corner", "bottom-right", "all")
    assert table.rows[0][3:] == ("-0.110 ± 0.020 of MTF50", "5.2", "under 0.0001")
    for probability, said in ((1e-300, "under 0.0001"), (0.0, "under 0.0001"), (0.004, "0.004"), (None, "unknown")):
        curves["sharpness"]["findings"][0]["probability"] = probability
        table = findings_table(curves["sharpness"])
        assert table is not None and table.rows[0][-1] == said


def test_what_spoils_pictures_most_is_told_first(curves: dict[str, Any]) -> None:
    curves["sharpness"]["findings"] = [
        {"kind": kind, "text": kind, "z": 9}
        for kind in ("lateral-colour", "something-new", "astigmatism", "weak-corner", "sharpened")
    ]
    letter = sharpness_letter(curves["sharpness"])
    assert letter is not None
    assert letter.lens == ("sharpened", "weak-corner", "astigmatism", "something-new", "lateral-colour")


def test_no_finding_says_what_was_compared(curves: dict[str, Any]) -> None:
    curves["sharpness"]["findings"] = []
    letter = sharpness_letter(curves["sharpness"])
    assert letter is not None
    (said,) = letter.lens
    assert said.startswith("No fault") and "corners" in said and "directions" in said and "colours" in said
    alone = {"points": [{"region": "centre", "orientation": "vertical", "f_number": 4.0, "mtf50_cy_per_px": 0.3}]}
    letter = sharpness_letter(alone)
    assert letter is not None and letter.lens == ()
    assert sharpness_letter({}) is None


def test_halos_are_told_in_plain_words(curves: dict[str, Any]) -> None:
    sharpness = curves["sharpness"]
    sharpness["halo"][3]["overshoot"] = 0.157
    (said,) = halo_sentences(sharpness)
    assert "a bright line of 15.7 % (± 0.4) and a dark line of 5.0 % (± 0.3) of the contrast" in said
    assert "sharpened" in said and "not as the sensor gave them" in said  # the frames are raw
    for point in sharpness["points"]:
        point["flags"] = ["rendered"]
    (said,) = halo_sentences(sharpness)
    assert "sensor" not in said
    for halo in sharpness["halo"]:
        halo["plain"] = False
    (said,) = halo_sentences(sharpness)
    assert "no bright or dark line" in said
    assert halo_sentences({**sharpness, "halo": []}) == []


def test_developed_pictures_say_so_before_anything_else(curves: dict[str, Any]) -> None:
    for point in curves["sharpness"]["points"]:
        point["flags"] = ["rendered", *(["sharpened"] if point["f_number"] > 16 else [])]
    letter = sharpness_letter(curves["sharpness"])
    assert letter is not None
    assert "this picture style only" in letter.made[0] and "never mixed" in letter.made[0]
    assert letter.made[1].startswith("At f/22 they are sharper than diffraction and the pixel let any lens be")


def test_points_come_in_all_units_that_are_known(curves: dict[str, Any]) -> None:
    table = sharpness_table(curves["sharpness"])
    assert table is not None
    assert {"MTF at Nyquist/2", "lp/mm", "LW/PH"} <= set(table.columns)
    assert "colour" not in table.columns and table.note.startswith("Measured in green.")
    for point in curves["sharpness"]["points"]:
        point["lp_per_mm"] = None
    without = sharpness_table(curves["sharpness"])
    assert without is not None and "lp/mm" not in without.columns
    assert all(len(row) == len(without.columns) for row in without.rows)


def test_ends_of_a_range_come_with_their_intervals(curves: dict[str, Any]) -> None:
    fit = curves["sharpness"]["fit"]
    fit["centre"] |= {"sharp_range_low_ci": [3.0, 3.2], "range_open": ["high"], "mtf50_fraction": 0.9}
    table = apertures_table(curves["sharpness"])
    assert table is not None and table.rows[0][-1] == "f/3 to f/3.2; open"
    narrow = apertures_table(curves["sharpness"], narrow=True)
    assert narrow is not None and len(narrow.columns) == 4
