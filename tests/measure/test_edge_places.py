"""The printed target in a drawn scene: every edge gets the name the sheet gives it, and strangers are refused."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from edge_scenes import add_noise, green

from kitgauge.measure.edges.edge_candidate import EdgeSearch
from kitgauge.measure.edges.edge_finding import find_edges_in
from kitgauge.measure.edges.search_picture import picture_of_signal
from kitgauge.measure.edges.target_pose import SheetSeen, find_sheets
from kitgauge.simulate.sheet_scene import PinholeCamera, PlacedSheet, render_sheets, to_frame
from kitgauge.target.layout import design_for, sheet_layout

SHAPE = (800, 1200)
A4 = design_for(297.0, 210.0)


def light_of(sheets: list[PlacedSheet], camera: PinholeCamera, **options: float) -> np.ndarray:
    return np.asarray(render_sheets(sheets, camera, **options))


def placed(number: int = 1, **where: float) -> PlacedSheet:
    """A sheet that fills three quarters of the frame's width unless its distance says otherwise."""
    return PlacedSheet(sheet_layout(A4, number), where.pop("distance_mm", 297.0 / 0.75 * 1.4), **where)


def camera(distortion: float = 0.0, shape: tuple[int, int] = SHAPE) -> PinholeCamera:
    return PinholeCamera(shape, focal_px=1.4 * shape[1], distortion=distortion)


def searched(light: np.ndarray, snr: float = 60.0, sheets: bool = True) -> tuple[EdgeSearch, tuple[SheetSeen, ...]]:
    signal = add_noise(3000.0 * light, 3000.0, snr, 1)
    picture = picture_of_signal(signal, green(signal.shape, "bayer"), np.zeros(signal.shape, dtype=bool))
    seen = find_sheets(picture.image, picture.block, picture.shape) if sheets else ()
    return find_edges_in(picture, sheets=seen), seen


def names_expected(sheets: list[PlacedSheet], view: PinholeCamera) -> dict[tuple[str, str], np.ndarray]:
    """(place, side) -> middle of the edge in the frame, of the edges wholly inside, from the scene's own geometry."""
    expected = {}
    for item in sheets:
        for square in item.sheet.squares:
            for side, ends in square.edges.items():
                points = to_frame(item, view, np.array([*ends, np.mean(ends, axis=0)], dtype=float))
                if points.min() > 14 and (points < np.array(view.shape[::-1]) - 15).all():
                    expected[f"sheet {item.sheet.number} square {square.number}", side] = points[2]
    return expected


CASES: dict[str, tuple[dict[str, float], dict[str, float], float, float]] = {
    "plain": ({}, {}, 0.0, 60.0),
    "turned": ({"rotation_deg": 15.0}, {}, 0.0, 60.0),
    "camera upright": ({"rotation_deg": 90.0, "distance_mm": 850.0}, {}, 0.0, 60.0),
    "tilted": ({"tilt_x_deg": 8.0, "tilt_y_deg": -6.0}, {}, 0.0, 60.0),
    "barrel": ({}, {}, -0.03, 60.0),
    "pincushion": ({}, {}, 0.03, 60.0),
    "part outside": ({"x_mm": 110.0}, {}, 0.0, 60.0),
    "dim, blurred, noisy": ({"rotation_deg": 8.0}, {"light_stops": 2.0, "disc_px": 8.0}, -0.03, 12.0),
}


@pytest.mark.parametrize("name", CASES)
def test_every_edge_gets_its_name(name: str) -> None:
    where, options, distortion, snr = CASES[name]
    view, sheets = camera(distortion), [placed(**where)]
    found, _ = searched(light_of(sheets, view, **options), snr)
    expected = names_expected(sheets, view)
    assert len(expected) >= 20
    named = {(edge.place, edge.side): edge for edge in found.candidates}
    assert len(named) == len(found.candidates)  # no name twice
    assert set(named) >= set(expected)
    for key, (x, y) in expected.items():
        edge = named[key]
        away = np.array([x - edge.x_px, y - edge.y_px])
        assert abs(away @ np.array(edge.normal)) < 1.5
        assert np.hypot(*away) < 0.3 * edge.length_px
        assert edge.patch_is_dark
    groups = {edge.group: edge.place for edge in found.candidates}
    assert len(groups) == len(set(groups.values())) == len({edge.place for edge in found.candidates})


def test_two_sheets_keep_apart() -> None:
    view = camera(shape=(800, 1700))
    sheets = [placed(2, x_mm=-155.0, distance_mm=900.0), placed(4, x_mm=155.0, distance_mm=930.0, rotation_deg=3.0)]
    found, seen = searched(light_of(sheets, view))
    assert {sheet.sheet for sheet in seen} == {2, 4}
    assert {(edge.place, edge.side) for edge in found.candidates} >= set(names_expected(sheets, view))


def with_stranger(light: np.ndarray) -> np.ndarray:
    """The scene with another dark patch, not the target's, in the lower left corner."""
    layer = np.zeros(light.shape, np.float32)
    cv2.fillPoly(layer, [np.array([(20, 690), (118, 682), (126, 780), (28, 788)])], 1.0, lineType=cv2.LINE_AA)
    return light * (1.0 - 0.8 * cv2.GaussianBlur(layer, (0, 0), 0.6))


def test_strangers_are_refused_only_with_markers() -> None:
    view, sheets = camera(), [placed(distance_mm=800.0, y_mm=-20.0, x_mm=20.0)]
    light = with_stranger(light_of(sheets, view))
    found, _ = searched(light)
    assert all(edge.place for edge in found.candidates)
    strange = [edge for edge in found.refused if edge.flag == "not-of-target"]
    assert any(edge.x0 < 150 and edge.y0 > 660 for edge in strange)
    without, _ = searched(light, sheets=False)
    assert all(edge.place == "" for edge in without.candidates)
    assert any(edge.x_px < 150 and edge.y_px > 660 for edge in without.candidates)


def test_few_markers_refuse_nothing() -> None:
    """A sheet known by two markers only gives names, but does not speak of what else is in the frame."""
    view, sheets = camera(), [placed(distance_mm=800.0, y_mm=-20.0, x_mm=20.0)]
    signal = add_noise(3000.0 * with_stranger(light_of(sheets, view)), 3000.0, 60.0, 1)
    picture = picture_of_signal(signal, green(signal.shape, "bayer"), np.zeros(signal.shape, dtype=bool))
    (sheet,) = find_sheets(picture.image, picture.block, picture.shape)
    found = find_edges_in(picture, sheets=[replace(sheet, positions=sheet.positions[:2])])
    assert not any(edge.flag == "not-of-target" for edge in found.refused)
    assert any(edge.place == "" and edge.x_px < 150 and edge.y_px > 660 for edge in found.candidates)
    assert {(edge.place, edge.side) for edge in found.candidates} >= set(names_expected(sheets, view))


def test_something_over_the_target() -> None:
    """A hand over one square: its edges are refused as overlapped, by name; all others are measured."""
    view, sheets = camera(), [placed()]
    light = light_of(sheets, view)
    covered = names_expected(sheets, view)
    middle = np.mean([covered["sheet 1 square 5", side] for side in ("left", "right")], axis=0)
    layer = np.zeros(light.shape, np.float32)
    cv2.circle(layer, (round(middle[0]), round(middle[1])), 95, 1.0, -1, cv2.LINE_AA)
    found, _ = searched(np.where(layer > 0.5, 0.5, light).astype(np.float32))
    assert not any(edge.place == "sheet 1 square 5" for edge in found.candidates)
    hidden = [edge for edge in found.refused if edge.flag == "edge-crowded" and "square 5" in edge.text]
    assert {edge.text for edge in hidden} == {
        f"sheet 1 square 5, {side}: not to be seen" for side in ("left", "right", "top", "bottom")
    }
    others = {key for key in covered if key[0] != "sheet 1 square 5"}
    assert {(edge.place, edge.side) for edge in found.candidates} >= others
