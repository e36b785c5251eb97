"""What the figures show: counts with their intervals, regions, looks that do not rest on colour."""

from __future__ import annotations

import html
import json
import math
import re
from itertools import combinations, pairwise
from pathlib import Path

import pytest
from report_samples import blur_run, noise_run, sharpness_run

from kitgauge.report.data import mapping, sampled_curve
from kitgauge.report.plots_blur import blur_pictures, keep_counts, kept, wilson_interval
from kitgauge.report.plots_noise import noise_pictures
from kitgauge.report.plots_sharpness import group_series, sharpness_pictures
from kitgauge.report.regions import corner_share, region_means, sharpest_aperture
from kitgauge.report.style import LOOKS, Picture, inline_svg

# Newcombe, Statistics in Medicine 17 (1998) 857, table I, method 3 (score, no continuity correction);
# from memory
NEWCOMBE = [
    (81, 263, 0.2553, 0.3662),
    (15, 148, 0.0624, 0.1605),
    (0, 20, 0.0000, 0.1611),
    (1, 29, 0.0061, 0.1718),
]


@pytest.mark.parametrize(("successes", "trials", "low", "high"), NEWCOMBE)
def test_interval_of_a_share_as_published(successes: int, trials: int, low: float, high: float) -> None:
    assert wilson_interval(successes, trials) == pytest.approx((low, high), abs=0.00005)


def test_interval_of_a_share_by_an_independent_route() -> None:
    proportion = pytest.importorskip("statsmodels.stats.proportion")
    for trials in (1, 2, 7, 40):
        for successes in range(trials + 1):
            expected = proportion.proportion_confint(successes, trials, alpha=0.05, method="wilson")
            assert wilson_interval(successes, trials) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("frame", "verdict"),
    [
        ({"streak_px": 2.0, "bound_px": 0.5, "censored": None}, True),
        ({"streak_px": 3.0, "bound_px": 0.5, "censored": None}, True),
        ({"streak_px": 3.1, "bound_px": 0.5, "censored": None}, False),
        ({"streak_px": None, "bound_px": 0.5, "censored": "below"}, True),
        (
            {"streak_px": None, "bound_px": 4.0, "censored": "below"},
            None,
        ),  # could be on either side of the limit
        ({"streak_px": None, "bound_px": 20.0, "censored": "above"}, False),
        ({"streak_px": None, "bound_px": 2.0, "censored": "above"}, None),
        (
            {"streak_px": 20.0, "censored": "above"},
            False,
        ),  # without a bound of its own, the streak is the bound
        ({"streak_px": None, "censored": None}, None),
    ],
)
def test_a_frame_counts_as_kept_only_where_that_is_known(frame: dict[str, object], verdict: bool | None) -> None:
    assert kept(frame, 3.0) is verdict


def test_censored_frames_count_and_tripod_frames_do_not() -> None:
    def row(
        role: str, streak: float | None, censored: str | None = None, bound: float | None = None
    ) -> dict[str, object]:
        return {
            "role": role,
            "shutter_s": 1 / 60,
            "streak_px": streak,
            "censored": censored,
            "bound_px": bound,
        }

    frames = [
        row("handheld", 2.0), row("handheld", 9.0), row("handheld", None, "above", 20.0),
        row("handheld", None, "below", 0.5), row("handheld", None), row("tripod", 0.2),
    ]  # fmt: skip
    # marked 1/60 s is 1/64 s; two of the four that can be judged are kept: without the censored ones, 1 of 2
    assert keep_counts(frames, 3.0) == [(pytest.approx(1 / 64), 2, 4)]


def test_region_mean_weighs_both_directions_alike_and_prefers_the_pooled_point() -> None:
    def point(orientation: str, value: float | None, error: float | None, f_number: float = 4.0) -> dict[str, object]:
        return {
            "region": "centre",
            "f_number": f_number,
            "orientation": orientation,
            "mtf50_cy_per_px": value,
            "mtf50_cy_per_px_stderr": error,
        }

    points = [
        point("horizontal", 0.30, 0.03),
        point("vertical", 0.40, 0.04),
        point("horizontal", 0.30, 0.03, 8.0),
        point("vertical", 0.40, None, 8.0),
        point("horizontal", 0.10, 0.01, 16.0),
        point("both", 0.20, 0.02, 16.0),
        point("vertical", None, None, 16.0),
    ]
    first, second, third = region_means(points, "centre")
    assert first[:3] == pytest.approx((4.0, 0.35, 0.025))
    assert second[1] == pytest.approx(0.35) and math.isnan(second[2])  # unknown, not 0
    assert third[1:3] == pytest.approx((0.20, 0.02))


def test_sharpest_aperture_is_that_of_the_centre() -> None:
    points = [
        {"region": "centre", "f_number": 4.0, "mtf50_cy_per_px": 0.40},
        {"region": "centre", "f_number": 8.0, "mtf50_cy_per_px": 0.35},
        {"region": "top-left", "f_number": 8.0, "mtf50_cy_per_px": 0.60},
        {"region": "centre", "f_number": 16.0, "mtf50_cy_per_px": None},
    ]
    assert sharpest_aperture(points) == 4.0
    assert sharpest_aperture(points[2:]) == 8.0
    assert math.isnan(sharpest_aperture([]))


def test_series_differ_in_marker_and_line_and_neighbours_in_lightness() -> None:
    assert len({look.marker for look in LOOKS}) == len(LOOKS)
    assert len({str(look.line) for look in LOOKS}) == len(LOOKS)

    def lightness(colour: str) -> float:  # relative luminance, WCAG 2.1, without the gamma's toe
        red, green, blue = ((int(colour[i : i + 2], 16) / 255) ** 2.2 for i in (1, 3, 5))
        return float((0.2126 * red + 0.7152 * green + 0.0722 * blue) ** (1 / 2.2))

    first = [lightness(look.colour) for look in LOOKS[:3]]
    assert min(abs(a - b) for a, b in combinations(first, 2)) > 0.03
    assert all(lightness(look.colour) < 0.62 for look in LOOKS)  # dark enough on white


def curves_of(folder: Path) -> dict[str, object]:
    return json.loads((folder / "curves.json").read_text())


def by_name(pictures: list[Picture]) -> dict[str, Picture]:
    return {picture.name: picture for picture in pictures}


def test_censored_frames_are_arrows_and_measured_ones_are_not(tmp_path: Path) -> None:
    curves = curves_of(blur_run(tmp_path))
    frames = [f for f in curves["blur"]["frames"] if f["role"] == "handheld"]
    censored = [f for f in frames if f["censored"]]
    assert len(censored) > 5
    _, streaks, *_rest = blur_pictures(curves["blur"], curves["limits"])
    # each arrow is one annotation, a patch group of its own with two strokes
    with_arrows = streaks.svg.count('<g id="blur-streak-patch_')
    curves["blur"]["frames"] = [f for f in frames if not f["censored"]]
    _, plain, *_rest = blur_pictures(curves["blur"], curves["limits"])
    without = plain.svg.count('<g id="blur-streak-patch_')
    assert with_arrows - without >= len(censored)
    assert f"{len(censored)} frames could only be bounded" in streaks.caption
    assert "could only be bounded" not in plain.caption


def test_points_left_out_of_the_fit_are_hollow_and_said_so(tmp_path: Path) -> None:
    curves = curves_of(sharpness_run(tmp_path))
    for point in curves["sharpness"]["points"]:
        if point["region"] == "centre" and abs(point["f_number"] - 4) < 0.01:
            point["excluded"] = True
    first, *_ = sharpness_pictures(curves["sharpness"], curves["limits"])
    assert "centre, left out" in first.svg
    assert "Hollow points are left out of the fit" in first.caption


def test_no_model_is_said_and_nothing_is_drawn_in_its_place(tmp_path: Path) -> None:
    noise = curves_of(noise_run(tmp_path / "noise"))
    sharp = curves_of(sharpness_run(tmp_path / "sharp"))
    sharp["sharpness"]["fit"] = {}
    blur = curves_of(blur_run(tmp_path / "blur"))
    blur["blur"]["fit"] = None
    del noise["noise"]["fit"]
    drawn_noise = by_name(noise_pictures(noise["noise"], noise["limits"]))
    snr, read_noise = drawn_noise["noise-snr"], drawn_noise["noise-read"]
    keep, *_rest = blur_pictures(blur["blur"], blur["limits"])
    mtf50, *_ = sharpness_pictures(sharp["sharpness"], sharp["limits"])
    for drawn in (snr, read_noise, keep, mtf50):
        assert "No model line: the fit gave none." in drawn.caption
        assert "model" not in re.sub(r"<[^>]+>", "", drawn.svg)


def test_figures_without_any_value_are_left_out() -> None:
    assert noise_pictures({"points": [{"iso": 100, "channel": "G", "snr_midgrey": None}]}, []) == []
    assert sharpness_pictures({"points": [{"f_number": 4, "region": "centre", "mtf50_cy_per_px": None}]}, []) == []
    assert blur_pictures({"frames": [{"shutter_s": None, "streak_px": 3.0, "role": "handheld"}]}, []) == []


def test_curve_with_holes_in_its_band_is_drawn_without_band() -> None:
    given = {"x": [1, 2, 3, None], "y": [1, None, 2, 3], "low": [0, 0, None, 0], "high": [2, 2, 3, 3]}
    curve = sampled_curve(given)
    assert curve is not None
    assert curve.x == (1.0, 3.0) and curve.y == (1.0, 2.0) and not curve.has_band
    assert sampled_curve({"x": [1], "y": [1]}) is None
    assert sampled_curve(mapping(None)) is None


def test_inline_figures_keep_their_ids_apart_and_bring_no_metadata() -> None:
    source = (
        '<?xml version="1.0"?><!DOCTYPE svg>'
        '<svg xmlns="http://www.w3.org/2000/svg" width="9pt" viewBox="0 0 9 9">'
        '<metadata><a href="http://example.org"/></metadata><defs><clipPath id="p1"/></defs>'
        '<use xlink:href="#m1" clip-path="url(#p1)" id="m1"/></svg>'
    )
    first, second = inline_svg(source, "one", 'a "b" <c>'), inline_svg(source, "two", "x")
    assert first.startswith('<svg viewBox="0 0 9 9" role="img" aria-label="a &quot;b&quot; &lt;c&gt;">')
    assert "http" not in first and "metadata" not in first
    assert 'id="one-p1"' in first and "url(#one-p1)" in first and 'href="#one-m1"' in first
    assert not set(re.findall(r'id="([^"]+)"', first)) & set(re.findall(r'id="([^"]+)"', second))


def words(svg: str) -> list[str]:
    return [html.unescape(found).strip() for found in re.findall(r"<text[^>]*>([^<]*)</text>", svg)]


def test_a_limit_line_is_named_by_its_exact_place(tmp_path: Path) -> None:
    blur = curves_of(blur_run(tmp_path / "blur"))
    blur["limits"][0] |= {"shutter_s": 1 / 43, "shutter_s_dial": 0.02}
    keep, *_rest = blur_pictures(blur["blur"], blur["limits"])
    assert "limit 1/43 s (on the dial 1/50 s)" in words(keep.svg)
    noise = curves_of(noise_run(tmp_path / "noise"))
    noise["limits"][0] |= {"iso": 8540.4, "iso_dial": 8000.0}
    snr = by_name(noise_pictures(noise["noise"], noise["limits"]))["noise-snr"]
    assert "limit ISO 8540 (on the dial ISO 8000)" in words(snr.svg)


def test_measured_isos_are_not_moved_to_marked_ones(tmp_path: Path) -> None:
    noise = curves_of(noise_run(tmp_path))
    noise["noise"]["fit"] |= {"dual_gain_iso": None, "invariance_iso": 1630.0, "invariance_text": None}
    read_noise = by_name(noise_pictures(noise["noise"], noise["limits"]))["noise-read"]
    assert "little gained above ISO 1630" in words(read_noise.svg)
    assert "Above ISO 1630, raising ISO" in read_noise.caption


def places_of(svg: str) -> list[tuple[str, float, float]]:
    """Return (text, x, y) of the texts of a figure, in points; x is the middle or the start, y points down."""
    found = re.findall(r'<text [^>]*?transform="translate\(([\d.]+) ([\d.]+)\)[^>]*>([^<]*)<', svg)
    found += re.findall(r'<text [^>]*? x="([\d.]+)" y="([\d.]+)"[^>]*>([^<]*)<', svg)
    return [(html.unescape(text), float(x), float(y)) for x, y, text in found]


def test_legends_stand_below_the_axes(tmp_path: Path) -> None:
    curves = curves_of(sharpness_run(tmp_path))
    for drawn in sharpness_pictures(curves["sharpness"], curves["limits"])[:2]:
        places = places_of(drawn.svg)
        axis = next(y for text, _, y in places if text.startswith("f-number, one mark"))
        legend = [y for text, _, y in places if text.startswith(("centre", "worst", "diffraction"))]
        assert len(legend) >= 3 and min(legend) > axis


def test_counts_stand_in_a_row_above_the_axes_and_apart(tmp_path: Path) -> None:
    curves = curves_of(blur_run(tmp_path))
    keep, *_rest = blur_pictures(curves["blur"], curves["limits"])
    counts = [(x, y) for text, x, y in places_of(keep.svg) if re.fullmatch(r"\d+/(9|10)", text)]
    assert len(counts) == 7
    assert len({y for _, y in counts}) == 1
    top = next(y for text, _, y in places_of(keep.svg) if text == "100 %")
    assert counts[0][1] < top
    columns = sorted(x for x, _ in counts)
    assert min(b - a for a, b in pairwise(columns)) > 30  # "10/10" is 28 points wide at 8.5


def test_corners_are_drawn_as_their_mean_with_range_and_the_worst(tmp_path: Path) -> None:
    curves = curves_of(sharpness_run(tmp_path))  # there the bottom right corner is the softest
    first, second, *_ = sharpness_pictures(curves["sharpness"], curves["limits"])
    said = words(first.svg)
    assert "corners, mean and range" in said and "worst: bottom-right" in said and "centre" in said
    assert not {"top-left", "top-right", "bottom-left"} & set(said)
    assert "sides, mean and range" in words(second.svg)


def test_mean_of_corners_by_hand() -> None:
    values = {"top-left": (0.30, 0.03), "top-right": (0.20, 0.04)}
    points = [
        {
            "region": region,
            "f_number": f_number,
            "orientation": "both",
            "mtf50_cy_per_px": value * factor,
            "mtf50_cy_per_px_stderr": error,
        }
        for region, (value, error) in values.items()
        for f_number, factor in ((4.0, 1.0), (8.0, 0.5))
    ]
    curve = {"f_number": [4.0, 8.0], "mtf50_cy_per_px": [0.3, 0.1]}
    other = {"f_number": [4.0, 8.0], "mtf50_cy_per_px": [0.2, 0.2]}
    fit = {"top-left": {"curve": curve}, "top-right": {"curve": other}}
    mean, worst = group_series(points, fit, list(values), "corners")
    assert mean.rows[0][:3] == pytest.approx((4.0, 0.25, 0.025))
    assert mean.curve is not None
    assert mean.curve.y == pytest.approx((0.25, 0.15))
    assert mean.curve.low == pytest.approx((0.2, 0.1)) and mean.curve.high == pytest.approx((0.3, 0.2))
    assert worst.label == "worst: top-right"
    assert [series.label for series in group_series(points, fit, ["top-left"], "corners")] == ["top-left"]


def test_limit_of_the_whole_frame_is_drawn(tmp_path: Path) -> None:
    curves = curves_of(sharpness_run(tmp_path))
    kinds = [limit["region"] for limit in curves["limits"]]
    assert sorted(kinds) == ["centre", "whole frame"]
    first, *_ = sharpness_pictures(curves["sharpness"], curves["limits"])
    assert any(said.startswith("whole frame sharp: f/") for said in words(first.svg))
    assert "dotted over the whole frame" in first.caption
    alone, *_ = sharpness_pictures(curves["sharpness"], [x for x in curves["limits"] if x["region"] == "centre"])
    assert not any(said.startswith("whole frame") for said in words(alone.svg))


def test_share_of_the_corners_is_that_of_the_outermost_places() -> None:
    def point(region: str, x: float, y: float, value: float, f_number: float = 5.6) -> dict[str, object]:
        return {"region": region, "x_norm": x, "y_norm": y, "mtf50_cy_per_px": value, "f_number": f_number}

    points = [
        point("centre", 0.5, 0.5, 0.40),
        point("centre", 0.5, 0.5, 0.30, 11.0),
        point("top-left", 0.1, 0.1, 0.30),
        point("top-left", 0.3, 0.2, 0.39),  # nearer to the centre: not what is meant by the corner
        point("bottom-right", 0.9, 0.9, 0.34),
        point("bottom-right", 0.9, 0.9, 0.30, 11.0),
    ]
    assert corner_share(points) == pytest.approx((5.6, 0.8))
    assert math.isnan(corner_share(points[:1])[1])


def test_tripod_frames_are_not_counted_among_the_bounded_ones(tmp_path: Path) -> None:
    curves = curves_of(blur_run(tmp_path))
    frames = curves["blur"]["frames"]
    expected = sum(1 for f in frames if f["censored"] and f["role"] == "handheld")
    for f in frames:
        if f["role"] == "tripod":
            f |= {"censored": "below", "streak_px": None, "bound_px": 0.3}
    _, streaks, *_rest = blur_pictures(curves["blur"], curves["limits"])
    assert f"{expected} frames could only be bounded" in streaks.caption
    assert f"{expected} of them are bounds" in streaks.alt
