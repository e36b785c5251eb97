"""What the figures show: counts with their intervals, regions, looks that do not rest on colour."""

from __future__ import annotations

import json
import math
import re
from itertools import combinations
from pathlib import Path

import pytest
from report_samples import blur_run, noise_run, sharpness_run

from kitgauge.report.data import mapping, sampled_curve
from kitgauge.report.plots_blur import blur_pictures, keep_counts, kept, wilson_interval
from kitgauge.report.plots_noise import noise_pictures
from kitgauge.report.plots_sharpness import sharpness_pictures
from kitgauge.report.regions import region_means, sharpest_aperture
from kitgauge.report.style import LOOKS, inline_svg

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


def test_censored_frames_are_arrows_and_measured_ones_are_not(tmp_path: Path) -> None:
    curves = curves_of(blur_run(tmp_path))
    frames = [f for f in curves["blur"]["frames"] if f["role"] == "handheld"]
    censored = [f for f in frames if f["censored"]]
    assert len(censored) > 5
    _, streaks = blur_pictures(curves["blur"], curves["limits"])
    # each arrow is one annotation, a patch group of its own with two strokes
    with_arrows = streaks.svg.count('<g id="blur-streak-patch_')
    curves["blur"]["frames"] = [f for f in frames if not f["censored"]]
    _, plain = blur_pictures(curves["blur"], curves["limits"])
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
    noise["noise"]["fit"] = None
    sharp = curves_of(sharpness_run(tmp_path / "sharp"))
    sharp["sharpness"]["fit"] = {}
    blur = curves_of(blur_run(tmp_path / "blur"))
    blur["blur"]["fit"] = None
    snr, read_noise = noise_pictures(noise["noise"], noise["limits"])
    keep, _ = blur_pictures(blur["blur"], blur["limits"])
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
