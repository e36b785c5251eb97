"""Small pictures of edges: which edge, where, and that no sample is changed but for the gaps between."""

from __future__ import annotations

import base64
import json
import math

import cv2
import numpy as np
import pytest

from kitgauge.measure.edges.edge_candidate import candidate_from_line
from kitgauge.measure.edges.edge_crop import CROP_PX, chosen_edges, edge_crop, edge_crops, filled_in

SHAPE = (600, 900)
BAYER = np.array([[False, True], [True, False]])
# a 6 x 6 pattern as some sensors have it: green where it is True
SIX = np.array([[c == "G" for c in row] for row in ("GBGGRG", "RGRBGB", "GBGGRG", "GRGGBG", "BGBRGR", "GRGGBG")])


def mask_of(tile, shape=SHAPE):
    rows, columns = (-(-size // side) for size, side in zip(shape, tile.shape, strict=True))
    return np.tile(tile, (rows, columns))[: shape[0], : shape[1]]


def edge(x, y, side="left", length=80.0):
    normal = {"left": (-1.0, 0.0), "right": (1.0, 0.0), "top": (0.0, -1.0), "bottom": (0.0, 1.0)}[side]
    dx, dy = (0.0, length / 2) if normal[1] == 0 else (length / 2, 0.0)
    return candidate_from_line(x - dx, y - dy, x + dx, y + dy, normal, 40.0, 0, side)


def decoded(crop):
    content = np.frombuffer(base64.b64decode(crop.png), dtype=np.uint8)
    return cv2.imdecode(content, cv2.IMREAD_UNCHANGED)


def test_one_edge_in_the_centre_and_the_outermost_in_each_corner() -> None:
    places = [(450, 300), (380, 300), (60, 50), (150, 120), (850, 50), (60, 550), (840, 560), (450, 40), (40, 300)]
    chosen = chosen_edges(SHAPE, [edge(x, y, side) for x, y in places for side in ("top", "left")])
    assert {region: (e.x_px, e.y_px) for region, e in chosen.items()} == {
        "centre": (450, 300), "top-left": (60, 50), "top-right": (850, 50), "bottom-left": (60, 550),
        "bottom-right": (840, 560),
    }  # fmt: skip
    assert next(iter(chosen)) == "centre" and all(e.orientation == "vertical" for e in chosen.values())


def test_a_frame_that_lies_a_little_elsewhere_shows_the_same_edge() -> None:
    # both sides of a square are almost equally far out: which is nearer must not decide
    square = [(60, 80, "left"), (62, 80, "right"), (61, 40, "top")]
    picked = set()
    for shift in np.linspace(-6.0, 6.0, 25):
        edges = [edge(x + shift, y - shift, side) for x, y, side in square]
        picked.add(chosen_edges(SHAPE, edges)["top-left"].side)
    assert len(picked) == 1


@pytest.mark.parametrize("tile", [BAYER, SIX, np.array([[True]])], ids=["2 x 2", "6 x 6", "mono"])
def test_measured_samples_stay_and_gaps_take_their_neighbours(tile) -> None:
    rows, columns = np.mgrid[0:60, 0:66].astype(np.float32)
    truth = 1000.0 + 3.0 * rows + 5.0 * columns
    mask = mask_of(tile, truth.shape)
    signal = np.where(mask, truth, 60000.0).astype(np.float32)  # other colours are far brighter: none may leak in
    filled = filled_in(signal, mask)
    assert np.array_equal(filled[mask], truth[mask].astype(np.float32))
    # neighbours are at most one pixel away in each direction, so a plane is met within its slope
    assert np.abs(filled - truth).max() <= 8.0
    if tile is BAYER:  # the four next neighbours lie around the gap evenly: a plane is met exactly
        assert np.abs(filled - truth)[1:-1, 1:-1].max() < 1e-2


def test_the_mean_over_all_colours_would_show_a_pattern_that_is_not_there() -> None:
    mask = mask_of(BAYER)
    signal = np.where(mask, 1000.0, 300.0).astype(np.float32)
    grey = decoded(edge_crop(signal, mask, edge(450, 300)))
    assert grey.min() == grey.max()
    assert decoded(edge_crop(signal, np.ones_like(mask), edge(450, 300))).std() > 20


@pytest.mark.parametrize(("x", "y"), [(450, 300), (3, 3), (897, 597), (450, 599)])
def test_a_crop_shows_the_frame_pixel_by_pixel(x, y) -> None:
    rng = np.random.default_rng(2)
    signal = rng.uniform(200.0, 1000.0, SHAPE).astype(np.float32)
    crop = edge_crop(signal, np.ones(SHAPE, dtype=bool), edge(x, y), "centre")
    assert (crop.height_px, crop.width_px) == decoded(crop).shape == (CROP_PX, CROP_PX)
    assert 0 <= crop.left_px <= SHAPE[1] - CROP_PX and 0 <= crop.top_px <= SHAPE[0] - CROP_PX
    part = signal[crop.top_px : crop.top_px + CROP_PX, crop.left_px : crop.left_px + CROP_PX]
    assert crop.left_px <= x < crop.left_px + CROP_PX and crop.top_px <= y < crop.top_px + CROP_PX
    # brightness is encoded, never reordered by more than one of the 64 greys
    order = np.argsort(part, axis=None)
    assert np.all(np.diff(decoded(crop).ravel()[order].astype(int)) >= 0)


def test_exposure_does_not_change_how_a_crop_looks() -> None:
    columns = np.arange(SHAPE[1], dtype=np.float32)
    light = np.tile(np.where(columns < 450, 250.0, 1000.0).astype(np.float32), (SHAPE[0], 1))
    mask = mask_of(BAYER)
    first, second = (decoded(edge_crop(scale * light, mask, edge(450, 300))) for scale in (1.0, 3.7))
    assert np.array_equal(first, second)
    # sRGB (IEC 61966-2-1) of 1/1.15 and 0.25/1.15 of white, in 64 greys
    for value, share in ((first.max(), 1 / 1.15), (first.min(), 0.25 / 1.15)):
        assert value / 255 == pytest.approx(1.055 * share ** (1 / 2.4) - 0.055, abs=0.5 / 63 + 0.5 / 255)


def test_a_bright_line_beside_the_edge_is_not_cut_off() -> None:
    light = np.full(SHAPE, 1000.0, dtype=np.float32)
    light[:, :450] = 250.0
    light[:, 450:453] = 1100.0
    grey = decoded(edge_crop(light, np.ones(SHAPE, dtype=bool), edge(450, 300)))
    assert grey.max() > np.median(grey[:, -20:])


def test_a_small_or_dark_frame_gives_a_smaller_or_black_crop() -> None:
    tiny = np.full((40, 70), 500.0, dtype=np.float32)
    crop = edge_crop(tiny, np.ones(tiny.shape, dtype=bool), edge(30, 20, length=20.0))
    assert (crop.width_px, crop.height_px) == (70, 40)
    dark = edge_crop(np.zeros(SHAPE, np.float32), np.ones(SHAPE, dtype=bool), edge(450, 300))
    assert decoded(dark).max() == 0
    with pytest.raises(ValueError, match="one shape"):
        edge_crop(tiny, np.ones((3, 3), dtype=bool), edge(30, 20))


def test_crops_are_small_and_plain() -> None:
    rng = np.random.default_rng(1)
    signal = rng.normal(1000.0, 40.0, SHAPE).astype(np.float32)
    crops = edge_crops(signal, mask_of(BAYER), [edge(450, 300), edge(60, 60), edge(450, 40)])
    assert [crop.region for crop in crops] == ["centre", "top-left"]
    text = json.dumps([crop.as_dict() for crop in crops])
    assert "NaN" not in text and len(text) < 2 * 12_000
    assert all(math.isfinite(crop.x_px) for crop in crops)
