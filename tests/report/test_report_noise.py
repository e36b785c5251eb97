"""The page of a noise run in full: letter, figures, tables, thumbnails; and of older runs that hold less."""

from __future__ import annotations

import base64
import html
import json
import math
import re
from pathlib import Path
from typing import Any

import pytest
from report_noise_samples import png
from report_samples import dark_run, developed_run, noise_run, write_run

from kitgauge.flags import FLAGS
from kitgauge.report.dark_current_tables import dark_current_tables
from kitgauge.report.data import FrameRow, load_run
from kitgauge.report.developed_tables import detail_table, developed_table
from kitgauge.report.noise_tables import (
    accuracy_table,
    fixed_table,
    meaning_table,
    noise_tables,
    range_table,
    shadow_table,
)
from kitgauge.report.noise_text import noise_letter
from kitgauge.report.page import page_content, render_page, write_report
from kitgauge.report.plots_dark_current import dark_current_pictures
from kitgauge.report.plots_exposure import exposure_picture, linearity_picture, spectrum_picture
from kitgauge.report.plots_noise import noise_pictures
from kitgauge.report.plots_photon_transfer import chosen_isos, photon_transfer_picture
from kitgauge.report.style import Picture
from kitgauge.report.thumbnails import with_thumbnails
from kitgauge.report.troubles import Trouble, frame_troubles


@pytest.fixture
def curves(tmp_path: Path) -> dict[str, Any]:
    return json.loads((noise_run(tmp_path / "run") / "curves.json").read_text())


@pytest.fixture
def noise(curves: dict[str, Any]) -> dict[str, Any]:
    return curves["noise"]


def plain(page: str) -> str:
    without_style = re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", without_style)))


def words(picture: Picture | None) -> list[str]:
    assert picture is not None
    return [html.unescape(found).strip() for found in re.findall(r"<text[^>]*>([^<]*)</text>", picture.svg)]


def places_of_marks(picture: Picture, colour: str) -> list[tuple[float, float]]:
    """Return (x, y) in points of the marks drawn in a colour."""
    found = re.findall(r'<use href="#[^"]*" x="([\d.]+)" y="([\d.]+)" style="([^"]*)"', picture.svg)
    return [(float(x), float(y)) for x, y, style in found if colour in style]


# ---- the letter ----


def test_letter_says_lights_what_iso_does_and_what_to_avoid_before_the_frames(tmp_path: Path) -> None:
    text = plain(write_report(noise_run(tmp_path)).read_text(encoding="utf-8"))
    letter = text.split("Your limits")[1].split("Your frames")[0]
    assert "Daylight: ISO 20000. In daylight the limit is ISO 21300, ISO 20000 on the dial." in letter
    assert "Before rounding to the dial: ISO 21300, 95 % interval ISO 20500 to ISO 22200." in letter
    assert "Lamp light (tungsten): ISO 10000. In lamp light ISO 10000 instead of 20000" in letter
    assert "measured on your frames (red 0.52, blue 0.71 of green)" in letter
    assert "estimated: to be sure, shoot a grey card in this light (taken for now: red 0.93, blue 0.31" in letter
    assert "SNR of the white-balanced picture in colour" in text.split("How it was done")[1]
    assert "Above ISO 800 (95 % interval 760 to 860), raising ISO in the camera" in letter
    assert "Avoid ISO 25600: it is ISO 12800 doubled by computing" in letter
    assert "Your ISO 200 is 0.25 stops less sensitive than its label says, against ISO 100." in letter
    assert "ISO 12800 pushed by" not in letter  # told with what to avoid


def test_light_without_any_iso_has_its_reason_and_no_setting() -> None:
    row = {"light": "daylight", "iso": None, "text": "No limit in daylight: red could not be measured."}
    letter = noise_letter({"lights": [row]})
    assert letter is not None
    assert letter.lights == (("Daylight", "No limit in daylight: red could not be measured.", ""),)
    assert noise_letter({"lights": [{"light": "daylight"}]}) is None


def test_open_interval_and_at_least_are_said() -> None:
    row = {"light": "daylight", "iso": 6400.0, "iso_dial": 6400.0, "at_least": True, "ci_low": 6000.0, "ci_high": None}
    letter = noise_letter({"lights": [row]})
    assert letter is not None
    heading, sentence, _ = letter.lights[0]
    assert heading == "Daylight: at least ISO 6400"
    assert "With 95 % confidence it is ISO 6000 or higher; the higher end is open." in sentence


def test_what_a_limit_has_said_is_not_said_again() -> None:
    noise = {"fit": {"shadow": {"text": "Stay at ISO 800."}, "avoid": [{"iso": 50, "reason": "pulled"}]}}
    letter = noise_letter(noise, [{"text": "Stay at ISO 800."}])
    assert letter is not None
    assert letter.meaning == ("Avoid ISO 50: pulled.",)


def test_account_of_many_labels_is_cut_and_points_to_the_table() -> None:
    text = " ".join(f"Your ISO {iso} is 0.2 stops less sensitive than its label says." for iso in range(100, 900, 100))
    letter = noise_letter({"iso_meaning": {"text": text}})
    assert letter is not None
    assert len(letter.meaning) == 6 and letter.meaning[-1] == "3 more like these: see the tables below."
    listed = "Fair. " + "; ".join(f"1/{n} s lets through 0.30 stops more" for n in range(60, 67)) + "."
    letter = noise_letter({"iso_meaning": {"text": listed}})
    assert letter is not None and letter.meaning[0] == "Fair."
    assert letter.meaning[1].startswith("1/60 s lets") and letter.meaning[1].endswith(
        "; and 4 more: see the tables below."
    )


# ---- figures ----


def test_figures_of_a_full_run_and_their_order(curves: dict[str, Any]) -> None:
    pictures = noise_pictures(curves["noise"], curves["limits"])
    assert [p.name for p in pictures] == [
        "noise-snr", "noise-exposure", "noise-read", "photon-transfer", "noise-linearity", "noise-spectrum",
    ]  # fmt: skip
    for picture in pictures:
        assert len(picture.alt) > 40 and len(picture.caption) > 80
        assert len(picture.svg) < 60_000
    units = {
        "noise-exposure": ["exposure in stops below saturation", "SNR of one pixel (ratio)", "mid-grey"],
        "photon-transfer": ["level above black (DN)", "variance of one frame (DN²)", "darks, at the left end"],
        "noise-linearity": ["level above black (DN)", "departure (% of full range)"],
        "noise-spectrum": ["spatial frequency (cycles per sensor pixel)", "white noise"],
    }
    for picture in pictures:
        assert set(units.get(picture.name, [])) <= set(words(picture))


def test_run_of_an_older_version_has_its_two_figures_and_no_empty_heading(tmp_path: Path) -> None:
    folder = noise_run(tmp_path, laboratory=False)
    curves = json.loads((folder / "curves.json").read_text())
    assert [p.name for p in noise_pictures(curves["noise"], curves["limits"])] == ["noise-snr", "noise-read"]
    text = plain(write_report(folder).read_text(encoding="utf-8"))
    for heading in (
        "What ISO does",
        "In daylight and",
        "two definitions",
        "Fixed patterns",
        "gains and costs",
        "Linearity",
    ):
        assert heading not in text
    assert "Noise per ISO and colour" in text and "Cannot tell" in text


def test_photon_transfer_shows_what_was_left_out_hollow_with_the_reason(noise: dict[str, Any]) -> None:
    picture = photon_transfer_picture(noise)
    assert picture is not None
    assert "Hollow: left out, clipped (2)." in picture.caption and "2 left out" in picture.alt
    assert "left out" in words(picture)
    hollow = re.findall(r'<use [^>]*style="fill: #ffffff; stroke: #1f4e79', picture.svg)
    assert len(hollow) == 1  # that of ISO 100, the first colour
    for row in noise["photon_transfer"]:
        row["used"] = True
    without = photon_transfer_picture(noise)
    assert without is not None and "ollow" not in without.caption and "left out" not in words(without)


def test_photon_transfer_flats_lie_on_a_line_of_slope_one_and_the_model_ends_on_the_floor() -> None:
    # sixteen times the level must be sixteen times the variance where shot noise rules: on equal decades, slope 1
    rows = [
        {"iso": 100, "channel": "G", "kind": "flat", "level_dn": level, "variance_dn2": level / 2, "used": True}
        for level in (1000.0, 16_000.0)
    ]
    rows.append({"iso": 100, "channel": "G", "kind": "dark", "level_dn": 0, "variance_dn2": 4.0, "used": True})
    point = {"iso": 100, "channel": "G", "gain_e_per_dn": 2.0, "read_noise_dn": math.sqrt(4 - 1 / 12)}
    picture = photon_transfer_picture({"photon_transfer": rows, "points": [point]})
    assert picture is not None
    (x0, y0), (x1, y1), dark = places_of_marks(picture, "#1f4e79")
    ticks = {name: (x, y) for name, x, y in tick_places(picture)}
    decade_x = ticks["x 1000"][0] - ticks["x 100"][0]
    decade_y = ticks["y 100"][1] - ticks["y 1000"][1]
    assert (y0 - y1) / decade_y == pytest.approx(math.log10(16), abs=0.01)
    assert (x1 - x0) / decade_x == pytest.approx(math.log10(16), abs=0.01)
    assert (y0 - dark[1]) / decade_y == pytest.approx(math.log10(4 / 500), abs=0.01)
    assert dark[0] < x0
    lines = re.findall(r'<path d="M ([^"]+)" clip-path="[^"]*" style="fill: none; stroke: #1f4e79', picture.svg)
    longest = max(lines, key=len)
    start, end = (tuple(float(v) for v in longest.replace("M", "").split("L")[k].split()) for k in (0, -1))
    # variance at the left end of the axis: floor 4 plus what is left of shot noise at a quarter of the knee (1)
    assert (y0 - start[1]) / decade_y == pytest.approx(math.log10(5 / 500), abs=0.02)
    assert start[0] == pytest.approx(dark[0], abs=0.5) and end[0] > x1


def tick_places(picture: Picture) -> list[tuple[str, float, float]]:
    """Return ("x 100", x, y) of every tick label: that of the group whose id says which axis."""
    found = []
    for axis in "xy":
        pattern = rf'<g id="[\w-]*-{axis}tick_\d+">(.*?)</text>'
        for body in re.findall(pattern, picture.svg, flags=re.DOTALL):
            mark = re.search(r'<use href="#[^"]*" x="([\d.]+)" y="([\d.]+)"', body)
            label = re.search(r"<text[^>]*>([^<]*)$", body)
            if mark and label:
                found.append((f"{axis} {label.group(1)}", float(mark.group(1)), float(mark.group(2))))
    return found


def test_no_more_lines_than_can_be_told_apart() -> None:
    thirds = [100 * 2 ** (k / 3) for k in range(28)]
    chosen = chosen_isos(thirds, 9)
    assert len(chosen) == 9 and chosen[0] == thirds[0] and chosen[-1] == thirds[-1]
    assert chosen_isos([400.0, 100.0, math.nan, 100.0]) == [100.0, 400.0]
    rows = [{"iso": i, "channel": "G", "kind": "flat", "level_dn": 900, "variance_dn2": i} for i in thirds]
    picture = photon_transfer_picture({"photon_transfer": rows})
    assert picture is not None and "9 of 28 ISO values are drawn" in picture.caption


def test_rounding_is_drawn_only_where_it_matters(noise: dict[str, Any]) -> None:
    def drawn() -> Picture:
        return next(p for p in noise_pictures(noise, []) if p.name == "noise-read")

    def set_read_noise(share: float) -> None:
        for point in noise["points"]:
            point["read_noise_e"] = point["gain_e_per_dn"] / math.sqrt(12) / share

    set_read_noise(0.1)  # 0.5 % of the noise
    assert "rounding to whole DN (green)" not in words(drawn()) and "rounding" not in drawn().caption
    set_read_noise(0.6)
    assert "rounding to whole DN (green)" in words(drawn()) and "rounding" in drawn().caption


def test_spectrum_is_drawn_only_where_noise_is_not_white(noise: dict[str, Any]) -> None:
    said = words(spectrum_picture(noise))
    assert {"ISO 6400", "ISO 12800", "ISO 25600"} <= set(said) and "ISO 3200" not in said
    for row in noise["spectrum"]:
        row["white"] = True
    assert spectrum_picture(noise) is None


def test_exposure_runs_to_saturation_at_the_right_and_marks_midgrey(noise: dict[str, Any]) -> None:
    picture = exposure_picture(noise, 5.77)
    assert picture is not None
    ticks = {name: x for name, x, _ in tick_places(picture)}
    assert ticks["x 0"] > ticks["x 2"] > ticks["x 4"]
    assert "SNR needed per pixel" in words(picture)
    assert "SNR needed per pixel" not in words(exposure_picture(noise, math.nan))
    line = re.search(r'<path d="M ([\d.]+) [^"]*" [^>]*stroke: #6b737b; stroke-width: 1"', picture.svg) or re.search(
        r'<path d="M ([\d.]+) [^"]*"[^>]*stroke-dasharray: 2,2[^>]*stroke: #6b737b', picture.svg
    )
    assert line is not None
    # ISO 12232: mid-grey is 10/78 of saturation, 2.963 stops below it
    stop = (ticks["x 0"] - ticks["x 2"]) / 2
    assert (ticks["x 0"] - float(line.group(1))) / stop == pytest.approx(2.963, abs=0.01)


def test_linearity_names_the_largest_departure(noise: dict[str, Any]) -> None:
    picture = linearity_picture(noise)
    assert picture is not None
    assert "Largest: 0.462 ± 0.050 % of full range at ISO 100." in picture.caption
    assert linearity_picture({"linearity": [{"iso": 100, "channel": "G", "level_dn": [5], "departure": [0.1]}]}) is None


def test_monochrome_is_not_called_green(curves: dict[str, Any]) -> None:
    noise = curves["noise"]
    for key in ("points", "photon_transfer"):
        noise[key] = [row for row in noise[key] if row["channel"] == "G"]
    pictures = noise_pictures(noise, curves["limits"])
    said = [*(word for p in pictures for word in words(p)), *(p.caption + p.alt for p in pictures)]
    said += [table.note for table in noise_tables(noise)]
    assert not any("green" in text.lower() for text in said if "G pools" not in text)
    assert "measured" in words(pictures[0]) and "model, 95 % band" in words(pictures[0])


# ---- thumbnails ----


def test_thumbnail_stands_with_the_flag_its_text_and_advice(tmp_path: Path) -> None:
    page = write_report(noise_run(tmp_path)).read_text(encoding="utf-8")
    items = re.findall(r"<li>(?:(?!</li>).)*?</li>", page, flags=re.DOTALL)
    flicker = next(item for item in items if FLAGS["flicker"].text in item)
    assert FLAGS["flicker"].advice in flicker
    assert flicker.count('<img src="data:image/png;base64,') == 1
    assert "Difference of two flats, green, ISO\N{NO-BREAK SPACE}400" in html.unescape(flicker)
    assert "Black is -31 DN." in plain(flicker) and "A24_00400_flat9.DNG" in plain(flicker)
    assert 'alt="Difference of two flats, green, ISO 400, A24_00400_flat0.DNG' in flicker
    assert 'width="160" height="106"' in flicker
    textured = next(item for item in items if FLAGS["textured"].text in item)  # a flag that no frame carries
    assert FLAGS["textured"].advice in textured and "<img" in textured and "Over its shading, green" in textured
    assert page.count("<img") == 2  # the first shows uneven light too, and stands once


@pytest.mark.parametrize(
    "change",
    [
        {"png": base64.b64encode(b"<svg onload=alert(1)>").decode()},
        {"png": 'x" onerror="alert(1)'},
        {"png": ""},
        {"png": None},
        {"png": "A" * 300_000},
        {"width_px": None},
        {"height_px": 1e6},
        {"flags": ["no-such-flag"]},
        {"flags": []},
    ],
)
def test_pictures_that_are_none_are_not_shown(change: dict[str, Any], tmp_path: Path) -> None:
    folder = noise_run(tmp_path)
    path = folder / "curves.json"
    curves = json.loads(path.read_text())
    curves["noise"]["pictures"] = [curves["noise"]["pictures"][0] | change]
    path.write_text(json.dumps(curves))
    page = write_report(folder).read_text(encoding="utf-8")
    assert "<img" not in page and "onerror" not in page


def test_many_pictures_of_one_flag_are_counted() -> None:
    picture = {
        "files": ["a", "b"], "flags": ["flicker"], "kind": "difference", "role": "flat", "colour": "G", "iso": 100,
        "width_px": 4, "height_px": 4, "png": png(4, 4, lambda y, x: 9 * x + y), "range": "",
    }  # fmt: skip
    trouble = Trouble("flicker", "bands", "", "doubt", 9, "a")
    pairs = [picture | {"files": [f"a{k}", f"b{k}"]} for k in range(9)]
    colours = [pair | {"colour": colour} for pair in pairs for colour in ("R", "G1", "G2", "B")]
    (shown,), doubts = with_thumbnails([trouble], [], {"pictures": colours})
    assert all("green" in item.caption for item in shown.thumbnails)  # one of each pair, in green
    assert len(shown.thumbnails) == 3 and shown.more_pictures == 6 and doubts == []


# ---- tables ----


def test_dynamic_range_by_both_definitions_with_the_definitions_beside_them(noise: dict[str, Any]) -> None:
    table = range_table(noise)
    assert table is not None and "ISO 15739" in table.note and "read noise" in table.note
    assert [row[0] for row in table.rows] == [str(100 * 2**k) for k in range(9)]
    first = table.rows[0]
    green = next(p for p in noise["points"] if p["iso"] == 100 and p["channel"] == "G")
    assert first[1] == f"{green['dynamic_range_stops']:.3f} ± 0.020"
    assert float(first[2]) < float(first[1].split()[0])
    assert first[4] == "in clipped flats" and table.rows[1][4] == "in the file's white level"


def test_non_uniformity_in_percent_and_unknown_said(noise: dict[str, Any]) -> None:
    table = fixed_table(noise)
    assert table is not None
    assert table.rows[0][1:] == ("0.610 ± 0.020", "1.320 ± 0.050", "0.210 ± 0.020", "unknown")
    for point in noise["points"]:
        del point["dsnu_e"]
    without = fixed_table(noise)
    assert without is not None and not any("DSNU" in column for column in without.columns)


def test_what_iso_means_says_how_made_and_what_to_use_instead(noise: dict[str, Any]) -> None:
    table = meaning_table(noise)
    assert table is not None
    rows = {row[0]: row for row in table.rows}
    assert rows["200"][1:5] == ("+0.750 ± 0.011", "1.00", "−0.250 ± 0.011", "amplified")
    assert rows["25600"][4:] == ("pushed from ISO 12800", "ISO 12800")
    assert rows["100"][1:4] == ("0", "0", "compared with this") and rows["100"][5] == "–"


def test_shutter_and_aperture_have_signs_and_errors(noise: dict[str, Any]) -> None:
    table = accuracy_table(noise)
    assert table is not None
    assert table.rows == (
        ("1/1000 s", "+0.100 ± 0.010"), ("1/60 s", "−0.004 ± 0.010"), ("f/8", "−0.080 ± 0.020"),
    )  # fmt: skip
    assert "scattered by 0.013 stops" in table.note
    assert accuracy_table({"iso_meaning": None}) is None


def test_price_of_each_step(noise: dict[str, Any]) -> None:
    table = shadow_table(noise)
    assert table is not None
    assert table.rows[0][0] == "100 to 200" and table.rows[0][2] == "1.0000 ± 0.0060"
    assert table.rows[-1][3] == "by computing" and table.rows[0][3] == "amplified"


def test_long_table_of_all_colours_is_folded_and_green_stands_open(noise: dict[str, Any]) -> None:
    tables = {table.title: table for table in noise_tables(noise)}
    assert tables["Noise per ISO and colour"].folded and not tables["Noise per ISO"].folded
    assert len(tables["Noise per ISO"].rows) == 9 and len(tables["Noise per ISO and colour"].rows) == 45
    noise["points"] = noise["points"][:10]
    few = {table.title: table for table in noise_tables(noise)}
    assert "Noise per ISO" not in few and not few["Noise per ISO and colour"].folded


# ---- dark current ----


def test_dark_current_has_both_routes_level_and_hot_pixels(tmp_path: Path) -> None:
    folder = dark_run(tmp_path)
    text = plain(write_report(folder).read_text(encoding="utf-8"))
    assert "Long exposures Dark current: by the level 0.250 ± 0.002 e-/s" in text
    noise = json.loads((folder / "curves.json").read_text())["noise"]
    rates, exposures, hottest = dark_current_tables(noise)
    assert rates.rows == (("all", "from the level", "0.2500 ± 0.0020"), ("all", "from the noise", "0.5000 ± 0.0040"))
    assert "To be believed here: the one from the noise." in rates.note
    assert [row[4] for row in exposures.rows] == ["0", "40", "80", "120", "160", "200"]
    assert hottest.folded and hottest.rows[0][0] == "1200, 33"
    signal, hot = dark_current_pictures(noise["dark_current"])
    assert {"electrons added per pixel", "from the level", "from the noise"} <= set(words(signal))
    assert "hot pixels per megapixel" in words(hot) and "At 1 shorter time there was none." in hot.caption


def test_routes_of_dark_current_are_in_the_same_unit(tmp_path: Path) -> None:
    noise = json.loads((dark_run(tmp_path) / "curves.json").read_text())["noise"]
    signal, _ = dark_current_pictures(noise["dark_current"])
    ticks = {name: y for name, _, y in tick_places(signal)}
    per_electron = (ticks["y 0"] - ticks["y 20"]) / 20

    def last(colour: str) -> float:
        marks = places_of_marks(signal, colour)
        at_end = [y for x, y in marks if x == max(x for x, _ in marks)]  # the mark and both ends of its bar
        return sum(at_end) / len(at_end)

    level, variance = last("#1f4e79"), last("#c0741a")
    # 0.25 and 0.5 e-/s times 120 s
    assert (ticks["y 0"] - level) / per_electron == pytest.approx(30, abs=0.2)
    assert (ticks["y 0"] - variance) / per_electron == pytest.approx(60, abs=0.2)


def test_dark_current_without_a_gain_stays_in_dn(tmp_path: Path) -> None:
    noise = json.loads((dark_run(tmp_path) / "curves.json").read_text())["noise"]
    for key in ("gain_e_per_dn", "rate_e_per_s", "rate_from_variance_e_per_s"):
        noise["dark_current"][key] = None
    signal, _ = dark_current_pictures(noise["dark_current"])
    assert "level added (DN)" in words(signal) and "from the noise" not in words(signal)
    assert [table.title for table in dark_current_tables(noise)] == [
        "Dark frames by exposure time",
        "The hottest pixels",
    ]


# ---- developed pictures ----


def test_developed_pictures_are_marked_as_such_everywhere(tmp_path: Path) -> None:
    folder = developed_run(tmp_path)
    text = plain(write_report(folder).read_text(encoding="utf-8"))
    letter = text.split("Your frames")[0]
    assert "What the developed pictures show At ISO 6400" in letter and "for this picture style only" in letter
    assert "Criterion: SNR 10 at mid-grey, print of 30 cm on its long side, seen from 50 cm." in letter
    assert "read noise" not in text.split("The evidence")[1].split("How it was done")[0]
    curves = json.loads((folder / "curves.json").read_text())
    snr, spectrum = noise_pictures(curves["noise"], curves["limits"])
    assert "for this picture style only" in snr.caption and "No model line" not in snr.caption
    assert "spatial frequency (cycles per pixel)" in words(spectrum)  # not per sensor pixel


def test_bounds_of_developed_pictures_are_said_as_bounds(tmp_path: Path) -> None:
    pictures = json.loads((developed_run(tmp_path) / "curves.json").read_text())["noise"]["developed"]
    table = developed_table(pictures)
    assert table is not None
    assert table.rows[0][1:4] == ("at least 110", "under 0.91", "unknown")
    assert table.rows[1][2] == "2.000 ± 0.020" and table.rows[1][5] == "57 %"
    detail = detail_table(pictures)
    assert detail is not None
    assert detail.columns == ("ISO", "0.25 to 0.5")
    assert detail.rows == (("400", "46.0 ± 1.0"), ("1600", "46.0 ± 1.0"), ("6400", "at most 5"))


# ---- method, weight ----


def test_method_explains_what_the_run_holds_and_nothing_else(tmp_path: Path) -> None:
    full = plain(write_report(noise_run(tmp_path / "full")).read_text(encoding="utf-8")).split("How it was done")[1]
    old = plain(write_report(noise_run(tmp_path / "old", laboratory=False)).read_text(encoding="utf-8"))
    old = old.split("How it was done")[1]
    dark = plain(write_report(dark_run(tmp_path / "dark")).read_text(encoding="utf-8")).split("How it was done")[1]
    for formula in ("PRNU and DSNU", "ISO 15739", "Linearity:", "What ISO means:", "Planck"):
        assert formula in full and formula not in old.replace("spectrum as in ISO 15739", "")
    assert "photon transfer, EMVA 1288" in old and "Dark current I" in dark
    assert full.count("Cannot tell:") >= 8


def test_page_without_figures_draws_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = write_run(tmp_path, {"schema": 1, "status": "failed", "reason": "x"}, {"schema": 1}, [])
    monkeypatch.setitem(__import__("sys").modules, "kitgauge.report.plots_noise", None)  # any import of it fails
    data = load_run(folder)
    assert page_content(data)["pictures"] == [] and "<svg" not in render_page(data)


def test_photon_transfer_without_darks_speaks_of_no_lines() -> None:
    rows = [
        {"iso": iso, "channel": "G", "kind": "flat", "level_dn": 1000.0, "variance_dn2": 2.0 * iso, "used": True}
        for iso in (100.0, 200.0)
    ]
    points = [{"iso": iso, "channel": "G", "gain_e_per_dn": 500.0 / iso} for iso in (100.0, 200.0)]
    found = photon_transfer_picture({"photon_transfer": rows, "points": points})
    assert found is not None
    assert "No line is drawn" in found.caption and "flatten out on the read noise, which" not in found.caption


def test_doubts_of_frames_name_their_iso_values() -> None:
    frames = [
        FrameRow(f"{iso}.dng", "used", "flat", f"flat ISO {iso}", ("missing-codes",), (), {"iso": str(iso)})
        for iso in (3200, 125)
    ]
    (trouble,) = frame_troubles(frames)
    assert trouble.examples.startswith("ISO 125, 3200: ")
